"""The work place: a folder beside the target in which finished chunks outlive a run that is interrupted.

For a target ``out`` it is ``.out.work``, guarded by the lock of the target. It holds ``key.json``, which tells what
decides the result and how the structures were cut into chunks, and one file per finished chunk.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from geoadjust.errors import OutputBusyError

KEY = "key.json"

_FOLDER = re.compile(r"\..+\.work")
_CHUNK = re.compile(r"chunk-\d{6,}")
_FILE = re.compile(r"(key\.json|chunk-\d{6,})(\.part)?")


def is_work_file(name: str) -> bool:
    """Whether a name, with ``/`` between, is that of a file in a work place.

    >>> [is_work_file(name) for name in (".out.work/key.json", "a/.out.work/chunk-000001.part", ".out.work/notes.txt")]
    [True, True, False]
    """
    folder, _, file = name.rpartition("/")
    return bool(_FOLDER.fullmatch(folder.rpartition("/")[2]) and _FILE.fullmatch(file))


class WorkPlace:
    """The work place of a target; whoever uses it holds the lock of the target."""

    def __init__(self, target: Path) -> None:
        self.folder = target.with_name(f".{target.name}.work")

    def judge(self) -> None:
        """Refuse what stands there and is no work place: it is never removed.

        Raises
        ------
        OutputBusyError
            It is a link or no folder, or holds files that are not ours.
        """
        if self.folder.is_symlink() or (self.folder.exists() and not self.folder.is_dir()):
            raise OutputBusyError(f"{self.folder}: is not the folder for kept chunks; move it away")
        if self.folder.exists():
            foreign = [path.name for path in self.folder.iterdir() if not _FILE.fullmatch(path.name)]
            if foreign:
                raise OutputBusyError(f"{self.folder}: holds files that are not ours, never removed: {min(foreign)}")

    def begin(self, key: Mapping[str, object]) -> None:
        """Make it anew for a run with this key."""
        self.remove()
        self.folder.mkdir(mode=0o700)
        part = self.folder / f"{KEY}.part"
        part.write_text(json.dumps(key, sort_keys=True), encoding="ascii")
        part.rename(self.folder / KEY)

    def key(self) -> dict[str, Any] | None:
        """The key of the run whose chunks are kept; None without one that can be read."""
        try:
            key = json.loads((self.folder / KEY).read_bytes())
        except (OSError, ValueError, RecursionError):
            return None
        whole = isinstance(key, dict) and isinstance(key.get("facts"), dict)
        return key if whole and all(isinstance(key.get(name), int) for name in ("chunk", "chunks")) else None

    def count(self) -> int:
        """Number of chunks that are kept, whole or not."""
        return sum(bool(_CHUNK.fullmatch(path.name)) for path in self.folder.iterdir()) if self.folder.is_dir() else 0

    def leave(self) -> str:
        """After an interruption: what is kept, in words; where no chunk is finished the place is removed."""
        kept, key = self.count(), self.key()
        if not kept or key is None:
            self.remove()
            return ""
        return (
            f"{kept} of {key['chunks']} chunks are kept in {self.folder}: the same command with --resume goes on from "
            "there; a run without --resume removes them and starts anew"
        )

    def remove(self) -> None:
        """Remove it with all that is in it."""
        if self.folder.is_dir():
            shutil.rmtree(self.folder, ignore_errors=True)
