"""What the cells of one column of the sample are: times, dates, numbers, and whether the numbers rise or count."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from pipeline.logs.vocabulary.cell_kinds import kind_of


@dataclass(frozen=True, kw_only=True)
class Profile:
    """One column of the sample, as shares of its filled cells; `filled` is their share of all."""

    filled: float
    stamp: float  # date and time
    date: float
    time: float
    number: float
    word: float
    numbers: tuple[float, ...]


def profile_of(cells: list[str], decimal: str) -> Profile:
    """What the column `cells` (one string a row, "" where empty) holds. decimal: "." or ","."""
    filled = [c for c in cells if c]
    if not filled:
        return Profile(filled=0, stamp=0, date=0, time=0, number=0, word=0, numbers=())
    n = len(filled)
    stamp = date = time = word = 0
    numbers = []
    for cell in filled:
        kind = kind_of(cell)
        if kind.number(decimal):
            numbers.append(value_of(cell, decimal))
            if kind.shape is not None and kind.shape.date == "ymd":
                whole = kind.shape.hour is not None
                stamp += whole and _may_be_stamp(cell)  # 20260504101500
                date += not whole  # 20260504
        elif kind.shape is not None:
            dated, timed = bool(kind.shape.date), kind.shape.hour is not None
            stamp += dated and timed
            date += dated and not timed
            time += timed and not dated
        elif kind.word:
            word += 1
    return Profile(
        filled=n / len(cells),
        stamp=stamp / n,
        date=date / n,
        time=time / n,
        number=len(numbers) / n,
        word=word / n,
        numbers=tuple(numbers),
    )


def _may_be_stamp(digits: str) -> bool:
    return "1970" <= digits[:4] < "2100" and "01" <= digits[4:6] <= "12" and "01" <= digits[6:8] <= "31"


def value_of(cell: str, decimal: str) -> float:
    """The number in a cell; NaN where it is none that a clock would show."""
    try:
        value = float(cell.replace(",", ".") if decimal == "," else cell)
    except ValueError:  # thousands marks, a unit: no clock looks like that
        return float("nan")
    return value if abs(value) < 1e300 else float("nan")


def never_falls(numbers: tuple[float, ...]) -> bool:
    """Whether they rise, but for the seams of the sample and the odd row out of order."""
    if len(numbers) < 2:
        return False
    falls = sum(b < a for a, b in pairwise(numbers))
    return falls <= max(2, 0.05 * len(numbers)) and max(numbers) > min(numbers)


def counts_up(numbers: tuple[float, ...]) -> bool:
    """Whether they go 1, 2, 3, … but for the seams of the sample. Three rows say nothing."""
    if len(numbers) < 3 or any(v != int(v) for v in numbers if v == v):
        return False
    ones = sum(b - a == 1 for a, b in pairwise(numbers))
    return ones >= len(numbers) - 1 - 3 and ones >= 0.9 * (len(numbers) - 1)


def counts_evenly(numbers: tuple[float, ...]) -> bool:
    """Whether four steps of five are alike, to a hundredth."""
    steps = [b - a for a, b in pairwise(numbers)]
    if len(steps) < 2:
        return False
    usual = sorted(steps)[len(steps) // 2]
    return usual > 0 and sum(abs(s - usual) <= 0.01 * usual for s in steps) >= 0.8 * len(steps)
