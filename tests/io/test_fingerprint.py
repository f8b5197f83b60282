"""Fingerprints: plain sha256 of a small file, a sample of a large one, companions hashed together."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import pytest

from geoadjust.errors import InputError
from geoadjust.io.fingerprint import fingerprint, fingerprint_tile


def write_vector(path: Path) -> Path:
    for ending in (".shp", ".shx", ".dbf", ".prj", ".cpg"):
        path.with_suffix(ending).write_bytes(ending.encode() * 40)
    return path


def write_raster(path: Path) -> Path:
    path.write_bytes(bytes(range(256)) * 64)
    return path


class TestFingerprint:
    def test_whole_file_is_plain_sha256(self, tmp_path):
        path = tmp_path / "a.gpkg"
        path.write_bytes(b"flush")
        assert fingerprint(path) == "sha256:" + hashlib.sha256(b"flush").hexdigest()

    @pytest.mark.parametrize("ending", [".shp", ".shx", ".dbf", ".prj", ".cpg"])
    def test_shapefile_counts_all_its_parts(self, tmp_path, ending):
        path = write_vector(tmp_path / "covers.shp")
        before = fingerprint(path)
        assert fingerprint(path) == before
        part = path.with_suffix(ending)
        part.write_bytes(part.read_bytes()[:-1] + b"~")
        assert fingerprint(path) != before

    def test_it_goes_with_a_copy_but_not_with_the_world_file(self, tmp_path):
        path = write_raster(tmp_path / "road.tif")
        copy = Path(shutil.copy(path, tmp_path / "other.tif"))
        assert fingerprint(copy) == fingerprint(path)
        copy.with_suffix(".tfw").write_text("1\n0\n0\n-1\n0\n0\n")
        assert fingerprint(copy) != fingerprint(path)

    def test_sample_of_a_large_file(self, tmp_path):
        path = tmp_path / "road.bin"
        path.touch()
        os.truncate(path, 2**27)
        before = fingerprint(path)
        assert before.startswith("sampled-sha256:")
        seen = {before}
        for place in (5, 2**27 - 1, 2**26 + 2**15):
            with path.open("r+b") as file:
                file.seek(place)
                file.write(b"x")
            seen.add(fingerprint(path))
        assert len(seen) == 4
        os.truncate(path, 2**27 + 2**20)
        assert fingerprint(path) not in seen

    def test_limit(self, tmp_path):
        path = tmp_path / "road.bin"
        path.touch()
        os.truncate(path, 2**26)
        assert fingerprint(path) == "sha256:" + hashlib.sha256(bytes(2**26)).hexdigest()

    def test_a_tile_is_read_whole_up_to_a_mebibyte(self, tmp_path):
        path = tmp_path / "tile.tif"
        path.write_bytes(bytes(2**20))
        assert fingerprint_tile(path) == fingerprint(path) == "sha256:" + hashlib.sha256(bytes(2**20)).hexdigest()

    def test_a_larger_tile_is_sampled_as_the_manual_says(self, tmp_path):
        data = bytearray(os.urandom(3 * 2**20))
        path = tmp_path / "tile.bin"
        path.write_bytes(data)
        size = len(data)
        places = [(0, 2**16), (size - 2**16, 2**16), *((size * n // 16, 2**14) for n in range(16))]
        sample = f".bin {size}\n".encode() + b"".join(data[start : start + length] for start, length in places)
        assert fingerprint_tile(path) == "sampled-sha256:" + hashlib.sha256(sample).hexdigest()

    def test_missing(self, tmp_path):
        with pytest.raises(InputError, match=r"gone\.tif: cannot be read"):
            fingerprint(tmp_path / "gone.tif")
