"""What every command says on the terminal."""

from __future__ import annotations

from typing import Any

import click


def clean(text: str) -> str:
    """Texts of strangers must not move the cursor or hide what stands beside them.

    Examples
    --------
    >>> clean("MH-7\\x1b[2J")
    'MH-7\ufffd[2J'
    """
    return "".join(char if char.isprintable() else "\ufffd" for char in text)


def note(text: str) -> None:
    """Tell what is worth a look, while a run goes on."""
    click.echo(clean(f"note: {text}"), err=True)


def show_summary(summary: dict[str, Any]) -> None:
    """What a run has found, counted."""
    click.echo(
        f"{summary['structures']} structures in {summary['seconds']['total']:.1f} s, written to {summary['out']}"
    )
    for name in ("method", "severity", "ready", "flags"):
        counts = sorted(summary[name].items(), key=lambda item: (-item[1], item[0]))
        click.echo(f"  {name + ':':10}" + ", ".join(f"{word} {count}" for word, count in counts if count))
    for finding in summary["findings"]:
        click.echo(clean(f"  note: {finding}"))
