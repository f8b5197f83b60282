"""Fingerprints of sources: whether a file is still the one that a result was made from."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from geoadjust.errors import Fault, InputError
from geoadjust.io.safe import sidecars

WHOLE_LIMIT = 64 * 2**20
"""Files up to this size [bytes] are fingerprinted whole."""


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
    main = Path(path)
    names = (main, *sidecars(main))
    digest = hashlib.sha256()
    try:
        sampled = sum(name.stat().st_size for name in names) > WHOLE_LIMIT
        for name in names:
            digest.update(f"{name.suffix.lower()} {name.stat().st_size}\n".encode() * (sampled or len(names) > 1))
            _update(digest, name, sampled)
    except OSError as error:
        raise InputError(Fault(str(main), f"cannot be read ({error.strerror})")) from None
    return f"{'sampled-' * sampled}sha256:{digest.hexdigest()}"


def _update(digest: Any, path: Path, sampled: bool) -> None:
    with path.open("rb") as file:
        pieces = _samples(file, path.stat().st_size) if sampled else iter(lambda: file.read(2**20), b"")
        for piece in pieces:
            digest.update(piece)


def _samples(file: BinaryIO, size: int) -> Iterator[bytes]:
    """First MiB, last MiB and 256 pieces between, as far as the file has them."""
    places = [(0, 2**20), (max(0, size - 2**20), 2**20)]
    places += [(size * number // 256, 2**16) for number in range(256)]
    for start, length in places:
        file.seek(start)
        yield file.read(length)
