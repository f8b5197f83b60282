"""A drawing that a notebook shows."""

from __future__ import annotations

from pathlib import Path


class Drawing:
    """A drawing as SVG. A notebook shows it; `save` writes it; `str()` gives its text."""

    def __init__(self, text: str) -> None:
        self._text = text

    def __str__(self) -> str:
        return self._text

    def __repr__(self) -> str:
        return f"<Drawing of {len(self._text)} letters of SVG; .save(path) writes it>"

    def _repr_svg_(self) -> str:
        return self._text

    def save(self, path: str | Path) -> Path:
        """Write the drawing into a new file.

        Raises
        ------
        FileExistsError
            the file is there
        """
        with Path(path).open("x", encoding="utf-8") as file:
            file.write(self._text)
        return Path(path)
