"""Makes the picture of docs/python.md: the demo's street as `plot` draws it.

.venv/bin/python docs/make_street_picture.py
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import geoadjust
from geoadjust.run.demo import run_demo

PICTURES = Path(__file__).parent / "pictures"


def main() -> None:
    """Run the demo in a temporary folder and draw its street."""
    with tempfile.TemporaryDirectory() as folder:
        run_demo(Path(folder) / "demo", overwrite=False, progress=lambda *_: None)
        drawing = geoadjust.open_set(Path(folder) / "demo/out").plot(street="Sample Street")
        (PICTURES / "street.svg").write_text(str(drawing), encoding="utf-8")


if __name__ == "__main__":
    main()
