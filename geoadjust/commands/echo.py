"""What every command says on the terminal."""

from __future__ import annotations


def clean(text: str) -> str:
    """Texts of strangers must not move the cursor or hide what stands beside them.

    Examples
    --------
    >>> clean("MH-7\\x1b[2J")
    'MH-7\ufffd[2J'
    """
    return "".join(char if char.isprintable() else "\ufffd" for char in text)
