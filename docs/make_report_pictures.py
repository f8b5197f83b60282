"""Makes the pictures of docs/report.md from the demo's report; needs chromium and Pillow. From the top of the checkout:

geoadjust demo .demo
geoadjust report .demo/out --out .report
PYTHONPATH=. python docs/make_report_pictures.py .report/report.html docs/pictures
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from PIL import Image

from tests.report.browser import Browser, browser

SHOWN = "SS-148"
"""The structure whose details are open."""
WIDE, NARROW = (1180, 1180), (360, 900)
COLOURS = 64


def make(page: Path, folder: Path) -> None:
    """Write the page as it stands on a desk and on a telephone, with one structure chosen."""
    with tempfile.TemporaryDirectory() as work, browser(Path(work)) as window:
        for name, (width, height) in {"report-wide": WIDE, "report-narrow": NARROW}.items():
            window.size(width, height)
            window.open(page.absolute())
            _choose(window)
            taken = Path(work) / f"{name}.png"
            window.picture(taken)
            Image.open(taken).convert("RGB").quantize(COLOURS).save(folder / f"{name}.png", optimize=True)


def _choose(window: Browser) -> None:
    found = f"[...document.querySelectorAll('#found button')].find((item) => item.textContent === '{SHOWN}')"
    window.run(f"{found}.click()")
    window.run("new Promise((done) => setTimeout(done, 300))")


if __name__ == "__main__":
    make(Path(sys.argv[1]), Path(sys.argv[2]))
