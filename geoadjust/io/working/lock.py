"""A lock on a name in a folder, held by one process at a time and gone with it."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from geoadjust.errors import OutputBusyError


def lock_path(target: Path) -> Path:
    """The file that is locked while somebody writes to the target."""
    return target.with_name(f".{target.name}.lock")


def take_lock(path: Path) -> int:
    """Lock a file without waiting; gives its handle.

    The holder removes the file before it lets go. So a second process may open the file, lose it, and lock a file that
    has no name any more, while a third makes and locks a new one. Hence: after locking, the name must still lead to
    the very file that is locked; otherwise open it anew.
    """
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if _same_file(path, handle):
                os.truncate(handle, 0)
                os.write(handle, f"{os.getpid()}\n".encode())
                return handle
        except BlockingIOError:
            holder = os.read(handle, 20).decode("ascii", "replace").strip()
            os.close(handle)
            raise OutputBusyError(f"{path}: another run (process {holder or '?'}) is writing here") from None
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)


def _same_file(path: Path, handle: int) -> bool:
    try:
        return os.path.samestat(os.lstat(path), os.fstat(handle))
    except FileNotFoundError:
        return False


def drop_lock(path: Path, handle: int) -> None:
    """Remove the name first, then let go (see `take_lock`)."""
    path.unlink(missing_ok=True)
    fcntl.flock(handle, fcntl.LOCK_UN)
    os.close(handle)
