"""One batch of rows on its way in: columns by our names, in SI, and the notes taken while they are read."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from geoadjust.core.flags import Notes
from geoadjust.core.inputs import INPUT_NAMES, INPUTS
from geoadjust.core.parts import CastingPart
from geoadjust.core.rules import StructuresTable
from geoadjust.io.intake.structures import RawBatch, StructureFacts
from geoadjust.io.intake.values import Values, read_numbers, read_sizes, read_texts, read_words, read_yes_no

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]


class Reading:
    """Columns of one batch by our names; what cannot be used is left out and noted.

    Parameters
    ----------
    raw : rows of the layer
    facts : of the layer
    table : the job's table of structures
    vertical_unit : unit of bare heights, "" where none is declared
    """

    def __init__(self, raw: RawBatch, facts: StructureFacts, table: StructuresTable, vertical_unit: str) -> None:
        self.raw, self.facts, self.table, self.n = raw, facts, table, len(raw)
        self.notes = Notes(self.n)
        dimension = table.dimension_unit
        self._units = {"height": vertical_unit, "dimension": dimension, "size": dimension}

    def column(self, name: str) -> pa.ChunkedArray | None:
        """As it stands; None where the layer has none."""
        theirs = self.facts.columns.get(name)
        if theirs == "@z":
            return pa.chunked_array([pa.array(self.raw.elevation, from_pandas=True)])
        return None if theirs is None else self.raw.attributes.column(theirs)

    def texts(self, name: str) -> Texts:
        """Texts (n,); blank and missing are ''."""
        return read_texts(self.column(name), self.n)

    def numbers(self, name: str) -> Floats:
        """SI values (n,); NaN where blank, unreadable or not plausible, the last two noted."""
        spec = INPUTS[name]
        values = read_numbers(self.column(name), self.n, spec, unit=self._units.get(spec.group, ""))
        self._note(name, values)
        return values.numbers

    def sizes(self, name: str) -> Floats:
        """Sizes (2, n) [m]: diameter or width, and length; NaN length = round, NaN width = none."""
        spec = INPUTS[name]
        values = read_sizes(self.column(name), self.n, spec, unit=self._units.get(spec.group, ""))
        self._note(name, values)
        return np.stack([values.numbers, values.length])

    def words(self, name: str, words: tuple[str, ...]) -> NDArray[np.int8]:
        """Index of each word (n,); -1 where blank or unknown, the latter noted."""
        index, unknown = read_words(self.column(name), self.n, words)
        self.notes.add("value_unreadable", unknown, subject=INPUT_NAMES.index(name))
        return index

    def yes_no(self, name: str) -> NDArray[np.int8]:
        """1, 0, or -1 (n,) where blank or unreadable, the latter noted."""
        index, unreadable = read_yes_no(self.column(name), self.n)
        self.notes.add("value_unreadable", unreadable, subject=INPUT_NAMES.index(name))
        return index

    def parts(self, name: str, castings: Sequence[CastingPart]) -> NDArray[np.int16]:
        """Index of a casting of the catalogue (n,); -1 where none is named, or it is not listed and noted."""
        texts = self.texts(name)
        known = {part.id: index for index, part in enumerate(castings)}
        index = np.array([known.get(text, -1) for text in texts], dtype=np.int16)
        self.notes.add("not_in_catalogue", (index < 0) & (texts != ""), subject=INPUT_NAMES.index(name))
        return index

    def _note(self, name: str, values: Values) -> None:
        spec, subject = INPUTS[name], INPUT_NAMES.index(name)
        self.notes.add("value_unreadable", values.unreadable, subject=subject)
        limit = np.where(values.stated < spec.low, spec.low, spec.high)
        self.notes.add("value_implausible", values.implausible, values.stated, limit, subject)


def first_stated(*candidates: Floats) -> Floats:
    """The first stated value of several (n,); of sizes (2, n) the first whose width is stated, both sides of it.

    Examples
    --------
    >>> first_stated(np.array([np.nan, 1.0]), np.array([2.0, 3.0])).tolist()
    [2.0, 1.0]
    >>> first_stated(np.array([[0.6], [np.nan]]), np.array([[0.4], [0.8]])).tolist()
    [[0.6], [nan]]
    """
    chosen = candidates[0]
    for candidate in candidates[1:]:
        stated = np.isfinite(chosen if chosen.ndim == 1 else chosen[0])
        chosen = np.where(stated, chosen, candidate)
    return chosen
