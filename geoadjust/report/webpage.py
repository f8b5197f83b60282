"""One HTML file from the figures of a set: style, scripts and data inside, nothing fetched.

The data stand in a JSON element whose text holds no character that could end it. Scripts and styles are allowed by
their hashes alone (Content Security Policy level 2, W3C), so nothing that comes with the data can run.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

SCRIPTS = ("basics.js", "map.js", "detail.js", "charts.js", "main.js")
MARK = '<meta name="generator" content="geoadjust">'
"""Tells a page of ours."""
_ESCAPES = {ord(character): f"\\u{ord(character):04x}" for character in "<>&\u2028\u2029"}


def page_of(data: Mapping[str, Any]) -> str:
    """The page.

    Parameters
    ----------
    data : what the scripts show; `title` is the page's
    """
    style, script = _packed("style.css"), "\n".join(_packed(name) for name in SCRIPTS)
    return _filled(
        _packed("page.html"),
        {
            "POLICY": f"default-src 'none'; img-src data:; style-src {_hash(style)}; script-src {_hash(script)}; "
            "base-uri 'none'; form-action 'none'",
            "TITLE": html.escape(str(data["title"])),
            "STYLE": style,
            "DATA": as_json(data),
            "SCRIPT": script,
        },
    )


def index_of(title: str, rows: list[tuple[str, str, str]]) -> str:
    """A page that leads to several others.

    Parameters
    ----------
    rows : file, name, what is in it
    """
    style = _packed("style.css")
    lines = "".join(
        f'<tr><td><a href="{html.escape(file)}">{html.escape(name)}</a></td><td>{html.escape(words)}</td></tr>\n'
        for file, name, words in rows
    )
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        f'style-src {_hash(style)}">\n{MARK}\n<title>{html.escape(title)}</title>\n<style>{style}</style>\n</head>\n'
        f"<body>\n<h1>{html.escape(title)}</h1>\n<table>\n<tr><th>part</th><th>what is in it</th></tr>\n"
        f"{lines}</table>\n"
        "</body>\n</html>\n"
    )


def as_json(data: Mapping[str, Any]) -> str:
    """The data as JSON that may stand in an element of a page.

    Examples
    --------
    >>> as_json({"id": "</script>"})
    '{"id":"\\\\u003c/script\\\\u003e"}'
    """
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.translate(_ESCAPES).encode("utf-8", "replace").decode()


def _filled(page: str, parts: Mapping[str, str]) -> str:
    """Each mark once; what is filled in is not looked at again."""
    pieces = page.split("@@")
    return "".join(parts[piece] if place % 2 else piece for place, piece in enumerate(pieces))


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@cache
def _packed(name: str) -> str:
    return (files("geoadjust.report") / "web" / name).read_text(encoding="utf-8")
