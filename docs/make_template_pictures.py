"""Makes the pictures of docs/template.md from the demo's template; needs pdftoppm (poppler-utils) and Pillow.

geoadjust demo .demo
geoadjust template .demo/out --out .template
python docs/make_template_pictures.py .template docs/pictures
"""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

from PIL import Image

PICTURES = (
    ("template-guide", "template-tiles.pdf", 1, 70),
    ("template-tile", "template-tiles.pdf", 8, 70),
    ("template-strip", "template-strip.pdf", 1, 60),
)
"""Name of the picture, file, page, dots per inch."""
PART = 1500
"""Of the strip, its left end alone is shown [pixels]."""


def make(source: Path, folder: Path) -> None:
    """Write one picture per page that is shown, in sixteen greys."""
    for name, file, page, dots in PICTURES:
        drawn = subprocess.run(
            ["pdftoppm", "-r", str(dots), "-gray", "-png", "-f", str(page), "-l", str(page), str(source / file)],
            capture_output=True,
            check=True,
        )
        image = Image.open(io.BytesIO(drawn.stdout))
        part = image.crop((0, 0, min(PART, image.width), image.height))
        part.quantize(16).save(folder / f"{name}.png", optimize=True)


if __name__ == "__main__":
    make(Path(sys.argv[1]), Path(sys.argv[2]))
