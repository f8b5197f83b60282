"""What rows share: ids and places, beside a count written plainly."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoadjust.run.positions import _shared


@given(st.lists(st.integers(0, 6) | st.integers(2**63, 2**64 - 1), max_size=40))
def test_rows_with_the_same_key_are_counted(keys):
    counted = Counter(keys)
    assert _shared(np.array(keys, dtype=np.uint64)).tolist() == [1 if key == 0 else counted[key] for key in keys]


@pytest.mark.parametrize("keys", [[], [0], [0, 0], [5], [5, 5], [2**64 - 1] * 3])
def test_edges(keys):
    expected = [1 if key == 0 else keys.count(key) for key in keys]
    assert _shared(np.array(keys, dtype=np.uint64)).tolist() == expected
