"""Tables of figures, as text for a terminal and as Markdown."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(slots=True)
class Table:
    """A table with a sentence above it and notes below.

    Examples
    --------
    >>> table = Table("Start-up", "", ["command", "ms"])
    >>> table.add("--help", 104.26)
    >>> print(table.markdown())
    ### Start-up
    <BLANKLINE>
    | command | ms |
    | --- | ---: |
    | --help | 104 |
    <BLANKLINE>
    """

    title: str
    sentence: str
    columns: list[str]
    rows: list[list[Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def add(self, *cells: Any) -> None:
        """Add a row."""
        self.rows.append(list(cells))

    def fail(self, what: str, why: object) -> None:
        """Say that something is missing."""
        self.notes.append(f"{what}: not measured: {why}")

    def markdown(self) -> str:
        """The table as Markdown."""
        lines = [f"### {self.title}", ""]
        lines += [self.sentence, ""] if self.sentence else []
        if self.rows:
            right = [any(isinstance(row[i], (int, float)) for row in self.rows) for i in range(len(self.columns))]
            lines += [_line(self.columns), _line(["---:" if one else "---" for one in right])]
            lines += [_line([shown(cell) for cell in row]) for row in self.rows]
            lines.append("")
        return "\n".join(lines + [f"- {note}" for note in self.notes] + ([""] if self.notes else []))

    def text(self) -> str:
        """The table for a terminal."""
        cells = [self.columns, *([shown(cell) for cell in row] for row in self.rows)]
        widths = [max(len(row[i]) for row in cells) for i in range(len(self.columns))]
        lines = [self.title, *([self.sentence] if self.sentence else [])]
        lines += ["  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)) for row in cells]
        return "\n".join([*lines, *(f"note: {note}" for note in self.notes), ""])


def _line(cells: list[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def shown(cell: Any) -> str:
    """A figure with three digits that count; counts whole; nothing where there is none.

    Examples
    --------
    >>> [shown(cell) for cell in (0.012345, 1.2345, 1234.5, 100_000, None, "text")]
    ['0.0123', '1.23', '1234', '100000', '', 'text']
    """
    if cell is None:
        return ""
    if not isinstance(cell, float):
        return str(cell)
    size = abs(cell)
    digits = 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 3 if size >= 0.1 else 4
    return f"{cell:.{digits}f}"
