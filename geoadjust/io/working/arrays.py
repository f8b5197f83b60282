"""Arrays put aside in files of numpy's own format, without pickles."""

from __future__ import annotations

from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray


class _Plain:
    """A file that numpy writes to as to any stream: with a real file it loses the number of the system's error."""

    def __init__(self, file: BinaryIO) -> None:
        self.write = file.write


def save_array(path: Path, array: NDArray[Any]) -> None:
    """Write an array to an .npy file.

    Raises
    ------
    OSError
        with the number that says why: a full disk is told as such

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     save_array(Path(folder, "a.npy"), np.arange(3))
    ...     load_array(Path(folder, "a.npy")).tolist()
    [0, 1, 2]
    """
    with path.open("wb") as file:
        np.lib.format.write_array(_Plain(file), array, allow_pickle=False)


def load_array(path: Path) -> NDArray[Any]:
    """Read it back."""
    found: NDArray[Any] = np.load(path, allow_pickle=False)
    return found
