"""Makes the docs site from the pages of this folder: HTML that opens from a disk, without a network.

    .venv/bin/pip install -c .ci/constraints.txt -e '.[docs]'
    .venv/bin/python docs/make_site.py --out .site

A warning is an error. The pages are copied first, so that those beside this folder (README, DEVELOPERS) are pages too;
the reference of the Python API is made from its docstrings.
"""

from __future__ import annotations

import argparse
import re
import shutil
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

DOCS = Path(__file__).parent
ROOT = DOCS.parent
BESIDE = ("README.md", "DEVELOPERS.md")
LINKED = ("LICENSE", "geoadjust/NOTICE")
SECTIONS = {
    "Start": ("README", "tutorial", "use-program", "use-survey", "use-crews", "job"),
    "Before and on the street": ("fieldbook", "sheets", "template", "remeasure", "accept", "vacuum"),
    "Results": ("report", "export", "verify", "history", "record", "troubleshooting"),
    "Your own tools": ("gis", "python", "extend", "processes", "cluster", "performance"),
    "How it is computed": ("method", "method-chimney", "method-uncertainty", "accuracy", "reliability"),
    "Reference": ("reference/settings", "reference/columns", "reference/field", "reference/api", "glossary"),
    "The project": ("DEVELOPERS", "changes", "decisions"),
}
"""Pages in the order of the site; one that is missing here is a warning, and so an error."""

API = """# Python API

```{eval-rst}
.. autofunction:: geoadjust.schedule
.. autofunction:: geoadjust.open_set
.. autoclass:: geoadjust.Schedule
   :members:
.. autoclass:: geoadjust.api.drawing.Drawing
   :members:
```
"""
CONFIG = """
project, author, copyright = "geoadjust", "the authors of geoadjust", "the authors of geoadjust"
release = {version!r}
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
html_theme, html_title = "furo", "geoadjust " + release
html_show_sourcelink = html_copy_source = html_show_sphinx = False
myst_heading_anchors = 4
napoleon_google_docstring = False
autodoc_typehints = "none"
autodoc_member_order = "bysource"
"""


def main() -> int:
    """Make the site; the exit code is that of Sphinx."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--out", type=Path, required=True, help="folder of the site")
    out = parser.parse_args().out
    from sphinx.cmd.build import build_main

    with TemporaryDirectory() as folder:
        source = Path(folder) / "source"
        copy_pages(source)
        words = ["-q", "-W", "--keep-going", "-b", "html", "-d", f"{folder}/trees", str(source), str(out)]
        return int(build_main(words))


def copy_pages(source: Path) -> None:
    """The pages as one folder, with an order, a configuration, and pages that are made."""
    from geoadjust import __version__

    shutil.copytree(DOCS, source, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    for name in BESIDE:
        text = (ROOT / name).read_text(encoding="utf-8")
        (source / name).write_text(re.sub(r"\]\(docs/", "](", text), encoding="utf-8")
    for name in LINKED:
        (source / name).parent.mkdir(exist_ok=True)
        shutil.copy(ROOT / name, source / name)
    for page in source.glob("*.md"):
        text = page.read_text(encoding="utf-8")
        page.write_text(re.sub(r"\]\(\.\./(README|DEVELOPERS)\.md", r"](\1.md", text), encoding="utf-8")
    (source / "reference/api.md").write_text(API, encoding="utf-8")
    decisions = sorted(path.stem for path in (source / "decisions").glob("*.md"))
    (source / "decisions.md").write_text("# Decisions\n\n" + toctree("", [f"decisions/{each}" for each in decisions]))
    index = source / "index.md"
    trees = "\n".join(toctree(title, pages) for title, pages in SECTIONS.items())
    index.write_text(f"{index.read_text(encoding='utf-8')}\n{trees}", encoding="utf-8")
    (source / "conf.py").write_text(CONFIG.format(version=__version__), encoding="utf-8")


def toctree(title: str, pages: list[str] | tuple[str, ...]) -> str:
    """Pages in their order; those with a title stand in the margin alone."""
    caption = f":hidden:\n:caption: {title}\n" if title else ""
    return f"```{{toctree}}\n:maxdepth: 1\n{caption}\n" + "\n".join(pages) + "\n```\n"


if __name__ == "__main__":
    sys.exit(main())
