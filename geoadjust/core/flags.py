"""Reasons: notes on structures, each one flag with its value and limit.

A bad structure is data: NaN and a flag. `ready` says what the figures are good for: `order` where the parts can be
ordered by them, `measure` (plan with it, measure on site), `review` where a person decides, `unknown` where there is no
raise. Each flag says the best that it leaves. An office run never says that anything may be cut.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from geoadjust.core.columns import Reasons
from geoadjust.core.flag_list import FLAGS

if TYPE_CHECKING:
    from numpy.typing import NDArray

CODES: dict[str, int] = {flag.code: index for index, flag in enumerate(FLAGS)}


class Notes:
    """Collects the reasons of n structures.

    Values and limits are given in SI and kept in the flag's unit (mm, %, deg).
    """

    FACTORS = {"": 1.0, "mm": 1000.0, "%": 100.0, "deg": 57.29577951308232}

    def __init__(self, n: int) -> None:
        self.n = n
        self._parts: list[tuple[Any, ...]] = []

    def add(
        self,
        code: str,
        where: NDArray[Any],
        value: NDArray[Any] | float = float("nan"),
        limit: NDArray[Any] | float = float("nan"),
        subject: int = -1,
    ) -> None:
        """Note a reason where the mask (n,) says so; value and limit [SI] are scalars or (n,)."""
        import numpy as np

        index = np.flatnonzero(where)
        factor = self.FACTORS[FLAGS[CODES[code]].unit]
        value, limit = (
            np.broadcast_to(np.asarray(item, dtype=float), self.n)[index] * factor for item in (value, limit)
        )
        k = len(index)
        self._parts.append((index, np.full(k, CODES[code]), value, limit, np.full(k, subject)))

    def codes(self) -> tuple[NDArray[Any], NDArray[Any]]:
        """Structure index and flag index of every note."""
        import numpy as np

        return (
            np.concatenate([part[0] for part in self._parts] or [np.empty(0, np.int64)]),
            np.concatenate([part[1] for part in self._parts] or [np.empty(0, np.int64)]),
        )

    def worst(self, of: tuple[int, ...], empty: int) -> NDArray[Any]:
        """Largest entry of a per-flag table over each structure's notes, (n,)."""
        import numpy as np

        index, code = self.codes()
        found = np.full(self.n, empty, dtype=np.int8)
        np.maximum.at(found, index, np.array(of, dtype=np.int8)[code])
        return found

    def reasons(self, row: NDArray[Any]) -> Reasons:
        """One entry per structure, flag and column, the worst one, in the order of `FLAGS`; `row` (n,) keys it."""
        import numpy as np

        parts = self._parts or [tuple(np.empty(0, kind) for kind in ("i8", "i8", "f8", "f8", "i8"))]
        columns = [np.concatenate(items) for items in zip(*parts, strict=True)]
        index, code, value, limit, subject = columns
        order = np.lexsort((-np.abs(np.nan_to_num(value)), subject, code, index))
        keys = np.stack([index, code, subject])[:, order]
        order = order[np.append(True, (np.diff(keys, axis=1) != 0).any(axis=0))[: len(order)]]
        return Reasons(
            row=row[index[order]],
            code=code[order].astype(np.int16),
            value=np.round(value[order], 6),
            limit=np.round(limit[order], 6),
            subject=subject[order].astype(np.int16),
        )


SEVERITY = tuple(flag.severity for flag in FLAGS)
READINESS = tuple(flag.ready for flag in FLAGS)
