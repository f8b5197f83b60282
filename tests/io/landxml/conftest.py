from __future__ import annotations

import pytest


@pytest.fixture
def write(tmp_path):
    """Writes a text or bytes to a file, and gives its path."""

    def _write(text, name="road.xml"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return _write
