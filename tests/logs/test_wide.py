"""More columns than any logger writes."""

from __future__ import annotations

import pytest

from pipeline.errors import LogFileError
from pipeline.logs import read_file
from pipeline.unit import Unit


@pytest.mark.parametrize("columns", [10_000, 60_000])
def test_thousands_of_columns_are_counted_and_refused(tmp_path, columns):
    path = tmp_path / "wide.csv"
    labels = ",".join(f"c{i}" for i in range(1, columns))
    rows = "".join(f"2026-05-04 10:00:{s:02d}{',1.0' * (columns - 1)}\n" for s in range(0, 60, 10))
    path.write_text(f"Time,{labels}\n{rows}", encoding="utf-8")
    with pytest.raises(LogFileError, match=f"{columns} cells .* more than any logger writes") as refusal:
        read_file(path, Unit(name="bar"))
    assert refusal.value.line == 1
    assert "fewer channels" in refusal.value.remedy
