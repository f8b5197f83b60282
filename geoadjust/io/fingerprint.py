"""Fingerprints of sources: whether a file is still the one that a result was made from."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO

from geoadjust.errors import Fault, InputError
from geoadjust.io.safe import sidecars

WHOLE_LIMIT = 64 * 2**20
"""Files up to this size [bytes] are fingerprinted whole."""
TILE_LIMIT = 2**20
"""The same for one of many tiles."""


def fingerprint(path: str | os.PathLike[str]) -> str:
    """Fingerprint of a source: tells whether it is still the same file.

    Up to 64 MiB it is the sha256 of the content, as ``sha256sum`` prints it. Above that it is a *sample*, not a full
    hash: the size, the first and the last MiB, and 256 evenly spaced pieces of 64 KiB. Files that belong together
    (.shp with .shx .dbf .prj .cpg, .tif with its world file) are hashed together: endings, sizes and contents.

    Raises
    ------
    InputError
        A file cannot be read.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.NamedTemporaryFile() as file:
    ...     fingerprint(file.name)[:15]
    'sha256:e3b0c442'
    """
    return _fingerprint(Path(path), WHOLE_LIMIT, _PLACES)


def fingerprint_tile(path: str | os.PathLike[str]) -> str:
    """Fingerprint of one of many tiles, as `fingerprint` but for its limits: thousands of them must not be read whole.

    Up to 1 MiB it is the sha256 of the content. Above that it is a *sample*: the size, the first and the last 64 KiB,
    and 16 evenly spaced pieces of 16 KiB. The directory of a TIFF, which says where each block lies and how long it is,
    usually is in the first or last 64 KiB: other cells in a compressed file nearly always show there. A change of a few
    cells of an uncompressed tile may not show.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    return _fingerprint(Path(path), TILE_LIMIT, _TILE_PLACES)


def joined_fingerprint(marks: Sequence[str]) -> str:
    """One fingerprint of several, in their order."""
    sampled = any(mark.startswith("sampled") for mark in marks)
    return f"{'sampled-' * sampled}sha256:{hashlib.sha256(' '.join(marks).encode()).hexdigest()}"


_PLACES = (2**20, 256, 2**16)
"""Bytes at either end; number of pieces between; bytes of each."""
_TILE_PLACES = (2**16, 16, 2**14)


def _fingerprint(main: Path, limit: int, places: tuple[int, int, int]) -> str:
    names = (main, *sidecars(main))
    digest = hashlib.sha256()
    try:
        sampled = sum(name.stat().st_size for name in names) > limit
        for name in names:
            digest.update(f"{name.suffix.lower()} {name.stat().st_size}\n".encode() * (sampled or len(names) > 1))
            _update(digest, name, places if sampled else None)
    except OSError as error:
        raise InputError(Fault(str(main), f"cannot be read ({error.strerror})")) from None
    return f"{'sampled-' * sampled}sha256:{digest.hexdigest()}"


def _update(digest: Any, path: Path, places: tuple[int, int, int] | None) -> None:
    with path.open("rb") as file:
        pieces = _samples(file, path.stat().st_size, places) if places else iter(lambda: file.read(2**20), b"")
        for piece in pieces:
            digest.update(piece)


def _samples(file: BinaryIO, size: int, places: tuple[int, int, int]) -> Iterator[bytes]:
    """Both ends and evenly spaced pieces between, as far as the file has them."""
    ends, number, length = places
    for start, wanted in [
        (0, ends),
        (max(0, size - ends), ends),
        *((size * n // number, length) for n in range(number)),
    ]:
        file.seek(start)
        yield file.read(wanted)
