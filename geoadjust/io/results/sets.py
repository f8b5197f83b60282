"""Output sets: a folder of files, built beside its target, swapped in whole, and listed with hashes in ``run.json``.

While a run goes on, four kinds of names may stand beside the target ``out``::

    .out.lock                  the lock, with the process number inside
    .out.PID-RANDOM.part       the folder that is being built (after an exchange: the old set, on its way out)
    .out.PID-RANDOM.old        the old set, only where the system cannot exchange two names in one step
    .out.work                  the chunks that are finished (`io.workplace`)

Whoever holds the lock may take every other such name for a left-over of a run that was killed: every writer holds it.
All of them are removed, but for the finished chunks: these outlive an interruption, and go with the next success or
with the next run that does not resume.
At each moment the target is the old set or the new one, both complete. Without an exchange there is one moment between
two renames when it is missing; the next run puts the old set back before anything else.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import json
import os
import re
import secrets
import shutil
import stat
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath
from types import TracebackType
from typing import Any, Self

from geoadjust.errors import Fault, InputError, OutputBusyError, OutputError
from geoadjust.io.working.lock import drop_lock, lock_path, take_lock
from geoadjust.io.working.workplace import WorkPlace, is_work_file

RECORD = "run.json"
"""The file that makes a folder an output set; written last."""

LEAST_FREE = 2**20
"""With less free space [bytes] than this a failed write is put down to a full disk."""

_TAIL = r"\.\d+-[0-9a-f]{8}\.(part|old)"
_OURS = re.compile(rf"\..+{_TAIL}")
_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_NO_EXCHANGE = (errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP)
_CAUSES = {
    errno.ENOSPC: "disk full",
    errno.EDQUOT: "disk full (quota)",
    errno.EFBIG: "disk full (file size limit)",
    errno.EROFS: "read-only folder",
    errno.EACCES: "no permission",
    errno.EPERM: "no permission",
}
_WRITE_ONLY = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS)


def explain_os_error(error: BaseException, path: str | os.PathLike[str]) -> OutputError:
    """The true cause of a failed write, as an error to raise.

    Drivers hide the cause ('cannot rollback'), so where `error` carries no number of its own the file system is asked.

    Parameters
    ----------
    error : exception
        From the system or from a driver.
    path : str or path
        What was to be written; need not exist.

    Examples
    --------
    >>> import errno
    >>> print(explain_os_error(OSError(errno.ENOSPC, "No space left on device"), "/out"))
    /out: disk full
    """
    known = getattr(error, "errno", None) or 0
    cause = _CAUSES.get(known) or ("" if known else _ask_file_system(Path(path)))
    return OutputError(f"{os.fspath(path)}: {cause or f'could not be written ({error})'}")


def _ask_file_system(path: Path) -> str:
    folder = next((place for place in (path, *path.absolute().parents) if place.is_dir()), Path("/"))
    facts = os.statvfs(folder)
    if facts.f_bavail * facts.f_frsize < LEAST_FREE:
        return "disk full"
    if facts.f_flag & os.ST_RDONLY:
        return "read-only folder"
    return "" if os.access(folder, os.W_OK | os.X_OK) else "no permission"


class SetWriter:
    """Builds an output set beside its target and swaps it in whole, or leaves the target untouched.

    Write into `folder`, put temporary files into `spill` and finished chunks into `work`, then `commit`; without a
    commit, or after an exception, everything is removed but finished chunks, of which the exception gets a note. The
    lock is held from entering to leaving. A worker that is *forked* meanwhile shares the lock and would keep it if this
    process were killed: start workers before, or spawn them.

    Parameters
    ----------
    target : Path
        The output folder. Its parents are made where missing.
    overwrite : bool
        Replace an output set that stands there. A folder with files that are not ours is never replaced.
    resume : bool
        Leave the chunks of an interrupted run where they are; otherwise they are removed.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     with SetWriter(Path(place, "out"), overwrite=False) as writer:
    ...         _ = (writer.folder / "notes.txt").write_text("flush")
    ...         writer.commit({"command": "example"})
    ...     read_set(Path(place, "out"))["files"]["notes.txt"]["bytes"]
    5
    """

    def __init__(self, target: Path, *, overwrite: bool, resume: bool = False) -> None:
        self.target = Path(os.path.abspath(target))
        if not self.target.name:
            raise OutputBusyError(f"{self.target}: not a place for a result; name a new folder")
        self.overwrite, self.resume = overwrite, resume
        self.work = WorkPlace(self.target)
        self.folder = self._name("part")
        self._made: list[Path] = []
        self._lock: int | None = None
        self._mode = 0o755

    @property
    def spill(self) -> Path:
        """Folder for temporary files; removed before the swap."""
        return self.folder / ".spill"

    def __enter__(self) -> Self:
        """Take the lock, clear left-overs, judge the target, make the folder to write into.

        Raises
        ------
        OutputBusyError
            The target exists and `overwrite` is off, is no folder or holds files that are not ours; or another run
            holds the lock.
        OutputError
            No place to write.
        """
        try:
            self._prepare()
        except OSError as error:
            failure = explain_os_error(error, self.target)
            self._leave()
            raise failure from error
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave as told above; an error of the system that only a write can meet becomes an OutputError."""
        full = isinstance(error, OSError) and error.errno in _WRITE_ONLY
        failure = explain_os_error(error, self.target) if error and full else None
        try:
            kept = self.work.leave()
        finally:
            self._leave()
        for told in (error, failure):
            if told is not None and kept:
                told.add_note(kept)
        if failure:
            raise failure from error

    def commit(self, record: Mapping[str, object]) -> None:
        """Hash and sync every file, write ``run.json`` last, swap the folder in, remove the old set and the chunks.

        Parameters
        ----------
        record : mapping
            What ``run.json`` tells of the run; ``files`` is added here.

        Raises
        ------
        OutputBusyError
            Meanwhile something that is not ours has come to stand at the target.
        OutputError
            The files could not be written or swapped; the target is as it was.
        """
        try:
            if self.spill.exists():
                shutil.rmtree(self.spill)
            _write_record(self.folder, record)
            os.chmod(self.folder, self._mode)
            _judge_target(self.target, self.overwrite)
            _swap(self.folder, self.target, self._name("old"))
            _sync(self.target.parent)
            self.work.remove()
        except OSError as error:
            raise explain_os_error(error, self.target) from error
        self._made.clear()

    def _name(self, ending: str) -> Path:
        return self.target.with_name(f".{self.target.name}.{os.getpid()}-{secrets.token_hex(4)}.{ending}")

    def _prepare(self) -> None:
        self._made = _make_folders(self.target.parent)
        self._lock = take_lock(lock_path(self.target))
        _clear_left_overs(self.target)
        _judge_target(self.target, self.overwrite)
        self.work.judge()
        if not self.resume:
            self.work.remove()
        self.folder.mkdir(mode=0o700)
        self.spill.mkdir()
        self._mode = stat.S_IMODE(self.spill.stat().st_mode)  # what the umask makes of a new folder

    def _leave(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
        if self._lock is not None:
            drop_lock(lock_path(self.target), self._lock)
        self._lock = None
        _remove_folders(self._made)


def _make_folders(folder: Path) -> list[Path]:
    """Make a folder and its parents; gives those that were missing, innermost first."""
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    return missing


def _remove_folders(folders: Iterable[Path]) -> None:
    try:
        for folder in folders:
            folder.rmdir()
    except OSError:
        return  # somebody uses it by now


def _clear_left_overs(target: Path) -> None:
    """With the lock held: put an old set back where the target is missing, then remove what killed runs left."""
    style = re.compile(rf"\.{re.escape(target.name)}{_TAIL}")
    ours = [path for path in target.parent.iterdir() if style.fullmatch(path.name) and not path.is_symlink()]
    old = [path for path in ours if path.suffix == ".old" and _is_whole(path)]
    if old and not os.path.lexists(target):
        os.rename(max(old, key=lambda path: path.stat().st_mtime_ns), target)
    for path in ours:
        shutil.rmtree(path, ignore_errors=True)


def _is_whole(folder: Path) -> bool:
    """Every listed file is there; one that its owner has changed meanwhile is as welcome back."""
    try:
        return all((folder / name).is_file() for name in _listed_files(folder))
    except InputError:
        return False


def _judge_target(target: Path, overwrite: bool) -> None:
    """Refuse a target that must not be replaced."""
    if target.is_symlink():
        raise OutputBusyError(f"{target}: is a link to {target.resolve()}; name the folder itself")
    if not target.exists():
        return
    if not target.is_dir():
        raise OutputBusyError(f"{target}: exists and is not a folder")
    if foreign := _foreign_names(target):
        more = f" and {len(foreign) - 5} more" if len(foreign) > 5 else ""
        raise OutputBusyError(
            f"{target}: holds files that are not ours, never replaced: {', '.join(foreign[:5])}{more}"
        )
    if not overwrite:
        raise OutputBusyError(f"{target}: exists; give --overwrite to replace it")


def _foreign_names(folder: Path) -> list[str]:
    """Names in a folder that neither its ``run.json`` lists nor a killed run can have left."""
    try:
        listed = {RECORD, *_listed_files(folder)}
    except InputError:
        listed = set()
    names = [name for name in _file_names(folder) if name not in listed]
    return [name for name in names if not (is_work_file(name) or any(map(_OURS.fullmatch, name.split("/"))))]


def _file_names(folder: Path) -> list[str]:
    """All files below a folder, with ``/`` between, sorted. A link to a folder counts as a file."""
    found: list[str] = []
    for place, folders, files in os.walk(folder):
        links = [name for name in folders if os.path.islink(os.path.join(place, name))]
        found += [Path(place, name).relative_to(folder).as_posix() for name in (*files, *links)]
    return sorted(found)


def _write_record(folder: Path, record: Mapping[str, object]) -> None:
    """Write ``run.json`` with size and hash of every other file, and make all of it last."""
    names = [name for name in _file_names(folder) if name != RECORD]
    files = {name: {"sha256": _sha256(folder / name), "bytes": (folder / name).stat().st_size} for name in names}
    text = json.dumps({**record, "files": files}, sort_keys=True, indent=1, ensure_ascii=False, allow_nan=False)
    # a lone surrogate (odd bytes in a path of the user) becomes \udcxx, which is what JSON writes for it
    (folder / RECORD).write_bytes(text.encode("utf-8", "backslashreplace") + b"\n")
    for name in (*names, RECORD):
        _sync(folder / name)
    for place, _, _ in os.walk(folder):
        _sync(Path(place))


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _swap(new: Path, target: Path, old: Path) -> None:
    """Put `new` in the place of `target` and remove what stood there.

    One exchange where the system can do it (Linux `renameat2`); otherwise two renames, the first undone if the second
    fails.
    """
    if not target.exists():
        os.rename(new, target)
        return
    if _exchange(new, target):
        shutil.rmtree(new, ignore_errors=True)
        return
    os.rename(target, old)
    try:
        os.rename(new, target)
    except BaseException:
        os.rename(old, target)
        raise
    shutil.rmtree(old, ignore_errors=True)


def _exchange(first: Path, second: Path) -> bool:
    """Exchange two names in one step; False where the system or the file system cannot."""
    library = ctypes.CDLL(None, use_errno=True)
    if not hasattr(library, "renameat2"):
        return False
    names = os.fsencode(first), os.fsencode(second)
    if library.renameat2(_AT_FDCWD, names[0], _AT_FDCWD, names[1], _RENAME_EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in _NO_EXCHANGE:
        return False
    raise OSError(number, os.strerror(number), str(second))


def read_set(path: Path, *, hashes: bool = True) -> dict[str, Any]:
    """Read ``run.json`` of an output set and check the files it lists. Other files in the folder are left alone.

    Parameters
    ----------
    path : Path
        The folder.
    hashes : bool
        Compare the contents too, not only the sizes.

    Raises
    ------
    InputError
        No output set, or files are missing or changed; every one of them is named.
    """
    record = read_record(path)
    if changed := changed_files(path, hashes=hashes):
        raise InputError([Fault(str(path / name), what, "", "run the job again") for name, what in changed.items()])
    return record


def changed_files(path: Path, *, hashes: bool = True) -> dict[str, str]:
    """Files of an output set that are not as recorded, and what differs; empty where the set is whole.

    Raises
    ------
    InputError
        No output set.
    """
    found = {name: _difference(path / name, facts, hashes) for name, facts in _listed_files(path).items()}
    return {name: what for name, what in found.items() if what}


def read_record(folder: Path) -> dict[str, Any]:
    """What ``run.json`` of an output set says; its files are not looked at.

    Raises
    ------
    InputError
        No output set.
    """
    try:
        record = json.loads((folder / RECORD).read_bytes()) if (folder / RECORD).is_file() else None
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(Fault(str(folder / RECORD), f"cannot be read ({error})")) from None
    if not isinstance(record, dict) or not isinstance(record.get("files"), dict):
        raise InputError(Fault(str(folder), "not a result of geoadjust", f"a folder with {RECORD}"))
    return record


def _listed_files(folder: Path) -> dict[str, Mapping[str, object]]:
    """Names and facts from ``run.json``; refuses names that lead out of the folder."""
    files: dict[str, Mapping[str, object]] = read_record(folder)["files"]
    for name, facts in files.items():
        pure = PurePosixPath(name)
        inside = name == str(pure) != "." and not pure.is_absolute() and ".." not in pure.parts and name != RECORD
        stated = isinstance(facts, dict) and isinstance(facts.get("bytes"), int) and "sha256" in facts
        if not inside or not stated:
            raise InputError(Fault(str(folder / RECORD), f"odd entry {name!r}", "", "run the job again"))
    return files


def _difference(path: Path, facts: Mapping[str, object], hashes: bool) -> str:
    """What differs from the record; empty where nothing does."""
    try:
        found = os.lstat(path)
        if not stat.S_ISREG(found.st_mode):
            return "not an ordinary file"
        if found.st_size != facts["bytes"]:
            return f"changed: {found.st_size} bytes, {facts['bytes']} recorded"
        return "changed: the content is not the one recorded" if hashes and _sha256(path) != facts["sha256"] else ""
    except (OSError, ValueError) as error:
        return f"missing or not readable ({getattr(error, 'strerror', '') or error})"
