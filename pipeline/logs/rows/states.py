"""A column beside each reading that says whether it is one: "OK", "ERR"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.logs.layout.dialect import Dialect
from pipeline.logs.rows.columns import Grid
from pipeline.logs.rows.numbers import NumberColumn, texts_of
from pipeline.logs.vocabulary.cell_kinds import ERROR_WORDS

_SOUND = frozenset({"ok", "good", "valid", "normal", "gut", "gültig", "bien", "bon", "valide", "válido"})
"""What stands there of a reading that is one, lower case. Common practice, no source."""


def state_columns(dialect: Dialect, readings: Sequence[int]) -> dict[int, int]:
    """The column of its state -> the reading; {} unless each reading has one at its right that says nothing else."""
    states = {i + 1: i for i in readings if i + 1 < dialect.fields and i + 1 not in readings}
    said = [{row[i].lower() for row in dialect.sample if row[i]} for i in states]
    about = all(words and words & _SOUND and words <= _SOUND | ERROR_WORDS for words in said)
    return states if len(states) == len(readings) and about else {}


def without_false(grid: Grid, states: Mapping[int, int]) -> Grid:
    """The grid without the readings that their states call none; the words that say so are theirs. Takes these columns off the texts."""
    numbers, text = dict(grid.numbers), dict(grid.text)
    for state, reading in states.items():
        false = {w: at for w, at in texts_of(text.pop(state)).items() if w.lower() in ERROR_WORDS}
        if false:
            values, words = numbers[reading].values.copy(), dict(numbers[reading].words)
            for word, at in false.items():
                values[at] = np.nan
                words[word] = np.union1d(at, words.get(word, at))
            numbers[reading] = NumberColumn(values=values, words=words, unit=numbers[reading].unit)
    return replace(grid, numbers=numbers, text=text)
