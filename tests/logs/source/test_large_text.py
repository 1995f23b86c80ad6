"""A large file read a piece at a time does what `bytes` does."""

from __future__ import annotations

import random

import pytest

from pipeline.errors import LogFileError
from pipeline.logs import read_file
from pipeline.logs.rows import columns
from pipeline.logs.source import decode, large_text
from pipeline.logs.source.large_text import LargeText
from pipeline.unit import Unit
from tests.logs.tables import write


@pytest.fixture
def text(tmp_path, monkeypatch):
    """(the bytes, the same as a large text of pieces of seven bytes behind a head of its own)."""
    monkeypatch.setattr(large_text, "PIECE", 7)
    rng = random.Random(5)
    raw = bytes(rng.choice(b"ab\n,") for _ in range(200))
    path = tmp_path / "log.csv"
    path.write_bytes(b"skipped" + raw[30:])
    with path.open("rb") as file:
        yield raw, LargeText(file, "log.csv", head=raw[:30], at=7)


def test_slices_searches_and_counts_are_those_of_bytes(text):
    raw, large = text
    rng = random.Random(6)
    assert len(large) == len(raw)
    for _ in range(300):
        a, b = rng.randrange(-5, 210), rng.randrange(-5, 210)
        what = bytes(rng.choice(b"ab\n,") for _ in range(rng.randrange(1, 5)))
        assert large[a:b] == raw[a:b]
        a, b = max(a, 0), max(b, 0)
        assert large.find(what, a, b) == raw.find(what, a, b)
        assert large.rfind(what, a, b) == raw.rfind(what, a, b)
        assert large.find(what[0], a, b) == raw.find(what[0], a, b)
        assert large.count(what[:1], a, b) == raw.count(what[:1], a, b)
        assert large.startswith(what) == raw.startswith(what)


def test_a_file_that_is_cut_while_it_is_read_is_refused(tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(b"x" * 100)
    with path.open("rb") as file:
        large = LargeText(file, "log.csv")
        path.write_bytes(b"x" * 10)
        with pytest.raises(LogFileError, match="became shorter"):
            large[50:60]


def test_more_cells_than_memory_holds_are_refused_with_what_to_do(tmp_path, monkeypatch):
    monkeypatch.setattr(decode, "LARGE_BYTES", 0)
    monkeypatch.setattr(columns, "MOST_CELLS", 50)
    rows = "".join(f"2026-05-04 10:{m:02d}:00,-3.5\n" for m in range(60))
    path = write(tmp_path / "log.csv", "Time,Evaporator (°C)\n" + rows)
    with pytest.raises(LogFileError, match="export it in parts"):
        read_file(path, Unit(name="bar"))
