"""Makes the pictures of docs/sheets.md from the demo's sheets; needs pdftoppm (poppler-utils) and Pillow.

geoadjust demo .demo
geoadjust sheets .demo/out --out .sheets
python docs/make_sheet_pictures.py .sheets/sheets.pdf docs/pictures

Pages of another document are named behind: record=SS-101 of .records/records.pdf.
"""

from __future__ import annotations

import io
import re
import subprocess
import sys
from pathlib import Path

from PIL import Image
from pypdf import PdfReader

PICTURES = {"sheets-cover": "Field sheets", "sheet-rings": "SS-134", "sheet-liner": "SS-148", "sheet-valve": "WV-105"}
"""Name of the picture, and the page's title."""
DOTS = 80


def make(document: Path, folder: Path, pictures: dict[str, str]) -> None:
    """Write one picture per page that is shown, in sixteen greys."""
    texts = [page.extract_text() for page in PdfReader(document).pages]
    for name, title in pictures.items():
        page = str(
            next(number for number, text in enumerate(texts, 1) if re.match(rf"(\d+ of \d+\s+)?{title}\s", text))
        )
        drawn = subprocess.run(
            ["pdftoppm", "-r", str(DOTS), "-gray", "-png", "-f", page, "-l", page, str(document)],
            capture_output=True,
            check=True,
        )
        Image.open(io.BytesIO(drawn.stdout)).quantize(16).save(folder / f"{name}.png", optimize=True)


if __name__ == "__main__":
    named = dict(word.split("=", 1) for word in sys.argv[3:])
    make(Path(sys.argv[1]), Path(sys.argv[2]), named or PICTURES)
