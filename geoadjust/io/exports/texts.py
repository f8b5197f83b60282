"""Texts of strangers in files of other programs: what cannot be written becomes visible, nothing vanishes."""

from __future__ import annotations

import re
from importlib import import_module
from typing import Any

from geoadjust.errors import Fault, InputError
from geoadjust.io.results.people import FORMULA_STARTS

INSTALL = "install the extra: pip install 'geoadjust[export]'"

_CONTROLS = {code: 0x2400 + code for code in range(32)} | {0x7F: 0x2421}
"""The picture of each control character (Unicode 2400 to 2421)."""
_LINES = dict.fromkeys((0x85, 0x2028, 0x2029), 0x2424)
"""Other characters at which some programs end a line; shown as the picture of a new line."""
_NONE = "[\ud800-\udfff\ufffe\uffff]"
_ANY = re.compile(f"[\0-\x1f\x7f\x85\u2028\u2029]|{_NONE}")
_ODD = re.compile(f"[\0-\x08\x0b-\x1f\x7f]|{_NONE}")
_NO_CHARACTER = re.compile(_NONE)
_FORMULA = re.compile(FORMULA_STARTS)


def one_line(text: str) -> str:
    """The text on one line: a picture stands for each control character and each end of a line.

    Examples
    --------
    >>> one_line("a\\0b\\nc")
    'a␀b␊c'
    """
    if not _ANY.search(text):
        return text
    return _NO_CHARACTER.sub("\ufffd", text.translate(_CONTROLS | _LINES))


def for_xml(text: str) -> str:
    """The text with pictures for what XML forbids; tabs and new lines stay.

    Examples
    --------
    >>> for_xml("a\\0b\\nc")
    'a␀b\\nc'
    """
    if not _ODD.search(text):
        return text
    kept = {code: picture for code, picture in _CONTROLS.items() if code not in (9, 10)}
    return _NO_CHARACTER.sub("\ufffd", text.translate(kept))


def guarded(text: str) -> str:
    """The text with an apostrophe before what a spreadsheet would take for a formula.

    Examples
    --------
    >>> guarded("=1+1"), guarded("MH-7")
    ("'=1+1", 'MH-7')
    """
    return f"'{text}" if _FORMULA.match(text) else text


def load(library: str, kind: str) -> Any:
    """A library that one kind of export needs.

    Raises
    ------
    InputError
        It is not installed.
    """
    try:
        return import_module(library)
    except ImportError:
        what = f"{kind} needs the library {library}, which is not installed"
        raise InputError(Fault("--as", what, remedy=INSTALL)) from None
