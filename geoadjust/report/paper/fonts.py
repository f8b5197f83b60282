"""The fonts of the paper documents, and which of them holds a character."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from geoadjust.errors import Fault, InputError

INSTALL = "install the extra: pip install 'geoadjust[paper]'"
REGULAR, BOLD, WIDE = "DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DroidSansFallback.ttf"
"""Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew, Arabic; the same in bold; Han, kana, Hangul."""


class Font:
    """One typeface; metrics in thousandths of its size."""

    def __init__(self, name: str, path: Path) -> None:
        from reportlab.pdfbase.pdfmetrics import registerFont
        from reportlab.pdfbase.ttfonts import TTFError, TTFont

        self.name = name
        try:
            self._made = TTFont(name, str(path))
        except (TTFError, OSError) as error:
            what = f"is no TrueType font that can be embedded ({error})"
            raise InputError(Fault(str(path), what, "a .ttf file with outlines of its own")) from None
        registerFont(self._made)
        self._widths: dict[int, float] = self._made.face.charWidths

    def holds(self, character: str) -> bool:
        """Whether it has a glyph."""
        return ord(character) in self._widths

    def width(self, text: str) -> float:
        """Width of a text all of whose characters it holds."""
        return sum(self._widths[ord(character)] for character in text)


def library(name: str) -> Any:
    """A library that paper documents need.

    Raises
    ------
    InputError
        It is not installed.
    """
    try:
        return import_module(name)
    except ImportError:
        what = f"PDF pages need the library {name}, which is not installed"
        raise InputError(Fault("PDF", what, remedy=INSTALL)) from None


@cache
def fonts(*, bold: bool = False, more: tuple[Path, ...] = ()) -> tuple[Font, ...]:
    """Fonts in the order in which they are asked for a glyph: ours, those given, the wide one."""
    library("reportlab")
    given = tuple(_given(path) for path in more)
    return (_packed(BOLD if bold else REGULAR), *given, _packed(WIDE))


@cache
def _packed(name: str) -> Font:
    with as_file(files("geoadjust.report") / "fonts" / name) as path:
        return Font(f"geoadjust-{Path(name).stem}", path)


@cache
def _given(path: Path) -> Font:
    return Font(f"given-{path.absolute()}", path)
