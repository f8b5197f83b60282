"""A LandXML file as a stream: the elements that are wanted, each with what is done where it begins and ends.

Nothing of the file is kept here. A document type (and so every entity of its own), endless nesting, endless texts and
endless new names are refused. An element counts as LandXML when it has the namespace of the root (that of a published
version, that of a national profile, or none), that of any published version, or none: writers that mix them exist, and
half a surface must not look like a whole one. All other elements are passed over with everything in them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn
from xml.parsers import expat

from geoadjust.errors import Fault, InputError
from geoadjust.io.safe import check_path

Attributes = dict[str, str]

DEEPEST = 128
"""Elements inside each other."""
LONGEST = 16 * 2**20
"""Bytes of one tag with its attributes, of one comment, or of the text of one element."""
PIECE = 2**16
"""Characters that the parser gathers before it hands on a text."""
CHUNK = 2**18
"""Bytes read at a time."""
MOST_NAMES = 100_000
"""Different names of elements and attributes, prefixes and namespaces; the parser keeps every one."""
ROOT = "LandXML"
SHOWN = 60
"""Characters of a text in a fault."""
_SEPARATOR = "}"
_PUBLISHED = re.compile(r"https?://www\.landxml\.org/schema/LandXML-[0-9.]+")


def _heard(_prefix: str | None, _uri: str | None) -> None:
    """A prefix counts among the parser's names only where somebody listens to it."""


def shown(text: str) -> str:
    """A text of the file as a fault shows it: in quotation marks, and not longer than a line.

    Examples
    --------
    >>> shown("EG"), len(shown("1" * 1000))
    ("'EG'", 65)
    """
    return repr(text) if len(text) <= SHOWN else f"{text[:SHOWN]!r}..."


@dataclass(slots=True)
class Node:
    """An element that is wanted.

    `begin` takes the attributes, `finish` the text of the element itself, '' unless `text` is set; texts inside
    elements that are passed over are no part of it. `children` are found by their plain names.
    """

    begin: Callable[[Attributes], None] | None = None
    finish: Callable[[str], None] | None = None
    text: bool = False
    children: dict[str, Node] = field(default_factory=dict)

    def add(self, path: str, node: Node) -> Node:
        """Put a node below this one, at a path of names with slashes between; gives the node that was put there."""
        first, _, rest = path.partition("/")
        if rest:
            return self.children.setdefault(first, Node()).add(rest, node)
        return self.children.setdefault(first, node)

    def qualified(self, prefix: str) -> Node:
        """The same node, whose children are found by namespace and name."""
        self.children = {prefix + name: child.qualified(prefix) for name, child in self.children.items()}
        return self


class Walk:
    """One pass through a file; see `Node` for what is handed on.

    Parameters
    ----------
    root : Node
        For the element LandXML itself. The walk changes it: a node is good for one walk.
    path, where : file, and the job key for faults
    """

    def __init__(self, root: Node, path: Path, where: str) -> None:
        self.path, self.where = path, where
        self._root, self._node, self._above = root, Node(), list[Node]()
        self._pieces: list[str] = []
        self._depth, self._begun, self._prefix = 0, False, ""
        self._parser = parser = expat.ParserCreate(namespace_separator=_SEPARATOR)
        parser.buffer_text = True
        parser.buffer_size = PIECE
        parser.StartDoctypeDeclHandler = self._refuse_doctype
        parser.EntityDeclHandler = self._refuse_doctype
        parser.StartNamespaceDeclHandler = _heard
        parser.StartElementHandler = self._first

    @property
    def line(self) -> int:
        """Line of the file at which the walk stands, from 1."""
        return self._parser.CurrentLineNumber

    def refuse(self, what: str, allowed: str = "", remedy: str = "") -> NoReturn:
        """Raise the fault that the file has."""
        raise InputError(Fault(self.where, f"{self.path} {what}", allowed, remedy))

    def run(self) -> None:
        """Read the whole file.

        Raises
        ------
        InputError
            no XML, another root than LandXML, cut off, with a document type, in an encoding that the parser does not
            know, or beyond a limit; and what the nodes raise
        """
        whole = False
        try:
            with self.path.open("rb") as file:
                fed = 0
                while chunk := file.read(CHUNK):
                    self._parser.Parse(chunk, False)
                    fed += len(chunk)
                    self._check(fed)
            whole = True
            self._parser.Parse(b"", True)
        except expat.ExpatError as error:
            self._explain(error, whole)
        except (LookupError, ValueError) as error:
            if self._begun:
                raise
            self.refuse(f"has an encoding that cannot be read ({error})", "UTF-8", "save it as UTF-8")
        except OSError as error:
            self.refuse(f"cannot be read ({error.strerror})")

    def _explain(self, error: expat.ExpatError, whole: bool) -> NoReturn:
        reason = f"{expat.ErrorString(error.code)}, line {error.lineno}"
        if "encoding" in reason:
            self.refuse(f"has an encoding that cannot be read ({reason})", "UTF-8", "save it as UTF-8")
        if not self._begun and "unclosed" not in reason:
            self.refuse(f"is not XML ({reason})", ROOT, "export the surface as LandXML")
        if whole:
            self.refuse(f"is cut off ({reason})", remedy="copy or export it again")
        encoding = ", in the encoding that it declares (UTF-8 where it declares none)" * ("token" in reason)
        self.refuse(f"is broken XML ({reason})", remedy=f"export it again{encoding}")

    def _check(self, fed: int) -> None:
        """A tag that does not end is held by the parser, a text that does not end by us."""
        held = sum(map(len, self._pieces)) + 64 * len(self._pieces)
        if fed - self._parser.CurrentByteIndex > LONGEST or held > LONGEST:
            self.refuse(f"has a tag or a text that does not end within {LONGEST // 2**20} MiB, line {self.line}")
        if len(self._parser.intern) > MOST_NAMES:
            self.refuse(f"has more than {MOST_NAMES} different names and prefixes, line {self.line}")

    def _refuse_doctype(self, *_: object) -> None:
        what = f"has a document type (DOCTYPE), line {self.line}"
        self.refuse(what, "LandXML without one", "remove it, or export the file again")

    def _first(self, name: str, attributes: Attributes) -> None:
        space, _, local = name.rpartition(_SEPARATOR)
        if local != ROOT:
            self.refuse(f"begins with <{local[:SHOWN]}>, not with <{ROOT}>", ROOT, "export the surface as LandXML")
        self._begun = True
        self._prefix = space + _SEPARATOR if space else ""
        self._node = self._root.qualified(self._prefix)
        self._pass_on()
        if self._node.begin:
            self._node.begin(attributes)

    def _pass_on(self) -> None:
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.CharacterDataHandler = self._pieces.append

    def _start(self, name: str, attributes: Attributes) -> None:
        node = self._node.children.get(name) or self._mixed(name)
        if node is None:
            self._pass_over()
            return
        self._pieces.clear()
        self._above.append(self._node)
        self._node = node
        if node.begin:
            node.begin(attributes)

    def _mixed(self, name: str) -> Node | None:
        """The wanted element of this name, without a namespace or with that of another published version."""
        space, _, local = name.rpartition(_SEPARATOR)
        if space and not _PUBLISHED.fullmatch(space):
            return None
        return self._node.children.get(self._prefix + local)

    def _end(self, _: str) -> None:
        node = self._node
        if self._above:
            self._node = self._above.pop()
        if node.finish:
            node.finish("".join(self._pieces) if node.text else "")

    def _pass_over(self) -> None:
        self._depth = 1
        self._parser.StartElementHandler = self._deeper
        self._parser.EndElementHandler = self._shallower
        self._parser.CharacterDataHandler = None

    def _deeper(self, *_: object) -> None:
        self._depth += 1
        if self._depth > DEEPEST:
            self.refuse(f"has more than {DEEPEST} elements inside each other, line {self.line}")

    def _shallower(self, _: str) -> None:
        self._depth -= 1
        if not self._depth:
            self._pass_on()
            if not self._node.text:
                self._pieces.clear()


def walk_through(root: Node, path: str | Path, *, where: str) -> Walk:
    """Check the path and make the walk; nothing is read before its `run`.

    Raises
    ------
    InputError
        Whatever is no ordinary local file: see `check_path`.
    """
    return Walk(root, check_path(path, where=where), where)
