"""`geoadjust accept`: finished covers judged by the owner's tolerance."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from geoadjust.commands import options

SHOWN = 20


@click.command()
@options.set_argument
@click.argument("gaps", metavar="GAPS", type=click.Path(path_type=Path))
@options.out_folder("result")
@options.bare_unit
@options.layer
@options.overwrite("a result")
@options.as_json
def accept(set: Path, gaps: Path, out: Path, as_json: bool, **given: Any) -> None:
    """Judge finished covers of the output folder SET by the gaps of the table GAPS and the owner's rules."""
    from geoadjust.run.accept import AcceptOptions, accept_set

    chosen = AcceptOptions(given["unit"] or "", given["layer"], given["overwrite"], tuple(sys.argv[1:]))
    done = accept_set(set, gaps, out, chosen).as_json()
    counted = ", ".join(f"{name} {count}" for name, count in done["outcomes"].items())
    lines = [f"wrote {done['out']}: {done['structures']} structures: {counted}"]
    lines += options.named_lines(done["judged"], SHOWN, "acceptance.csv", lambda each: each["sentences"])
    options.tell(done, as_json, [*lines, *(f"left out: {told}" for told in done["left_out"])])
