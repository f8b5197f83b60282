"""The folder that exported files are put into: built aside, put in place together, nothing of others replaced.

While files are written the folder `DIR` holds two more names::

    .export.lock                  the lock, with the process number inside
    .export.PID-RANDOM.part       a folder with the files that are being written

Whoever holds the lock may take every other such folder for a left-over of a run that was killed.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

from geoadjust.errors import OutputBusyError
from geoadjust.io.results.sets import explain_os_error
from geoadjust.io.working.lock import drop_lock, lock_path, take_lock

Recognizer = Callable[[Path], bool]
"""Whether a file that is there was made by us."""

NAME = "export"
_LEFT_OVER = re.compile(rf"\.{NAME}\.\d+-[0-9a-f]{{8}}\.part")


class ExportFolder:
    """Builds files aside; `commit` puts all of them in place, and without it none.

    Write to `path(name)`. Temporary files may be put into `part`.

    Parameters
    ----------
    folder : made where it is missing
    files : names, and what tells whether a file of that name is ours
    overwrite : replace files of ours; others are never replaced

    Raises
    ------
    OutputBusyError
        On entering or in `commit`: something stands there, or another run writes there.
    OutputError
        It cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     with ExportFolder(Path(place, "out"), {"a.txt": Path.is_file}) as folder:
    ...         _ = folder.path("a.txt").write_text("flush")
    ...         folder.commit()
    ...     sorted(path.name for path in Path(place, "out").iterdir())
    ['a.txt']
    """

    def __init__(self, folder: Path, files: Mapping[str, Recognizer], *, overwrite: bool = False) -> None:
        self.folder, self.files, self.overwrite = Path(os.path.abspath(folder)), files, overwrite
        self.part = self.folder / f".{NAME}.{os.getpid()}-{secrets.token_hex(4)}.part"
        self._made: list[Path] = []
        self._lock: int | None = None

    def path(self, name: str) -> Path:
        """Where to write one of the files."""
        return self.part / name

    def __enter__(self) -> Self:
        try:
            self._prepare()
        except OSError as error:
            self._leave()
            raise explain_os_error(error, self.folder) from error
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leave()
        if isinstance(error, OSError):
            raise explain_os_error(error, self.folder) from error

    def commit(self) -> None:
        """Sync every file and put it in its place."""
        try:
            for name in self.files:
                _sync(self.path(name))
            self._judge()
            for name in self.files:
                os.replace(self.path(name), self.folder / name)
            _sync(self.folder)
        except OSError as error:
            raise explain_os_error(error, self.folder) from error
        self._made.clear()

    def _prepare(self) -> None:
        self._judge()
        self._made = [place for place in (self.folder, *self.folder.parents) if not place.exists()]
        self.folder.mkdir(parents=True, exist_ok=True)
        self._lock = take_lock(lock_path(self.folder / NAME))
        for path in self.folder.iterdir():
            if _LEFT_OVER.fullmatch(path.name) and not path.is_symlink():
                shutil.rmtree(path, ignore_errors=True)
        self.part.mkdir()

    def _judge(self) -> None:
        """Refuse to replace what must not be replaced."""
        if os.path.lexists(self.folder) and not self.folder.is_dir():
            raise OutputBusyError(f"{self.folder}: exists and is not a folder")
        for name, is_ours in self.files.items():
            path = self.folder / name
            if not os.path.lexists(path):
                continue
            if not self.overwrite:
                raise OutputBusyError(f"{path}: exists; name another folder, or give --overwrite")
            if path.is_symlink() or not path.is_file() or not is_ours(path):
                raise OutputBusyError(f"{path}: exists and was not exported by geoadjust, so it is not replaced")

    def _leave(self) -> None:
        shutil.rmtree(self.part, ignore_errors=True)
        if self._lock is not None:
            drop_lock(lock_path(self.folder / NAME), self._lock)
        self._lock = None
        try:
            for place in self._made:
                place.rmdir()
        except OSError:
            return  # somebody uses it by now


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
