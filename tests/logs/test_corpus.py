"""Every file of the corpus becomes the table that stands beside it, or the refusal.

`corpus/X` is the file as a logger (or a mishap) wrote it, `corpus/X.json` what it must become, written by hand from the
table that the file was made of, never from the reader's own output: UTC times, labels, units as logged, readings (null:
none), keys of notes that must be there or must not, error words; or the words of the refusal and its line.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import LogFileError
from pipeline.logs import read_file
from pipeline.unit import Unit

CORPUS = Path(__file__).parent / "corpus"
CASES = sorted(p.name.removesuffix(".json") for p in CORPUS.glob("*.json"))


def _expected(name: str) -> dict:
    return json.loads((CORPUS / f"{name}.json").read_text(encoding="utf-8"))


def test_the_corpus_is_large_and_each_file_has_its_table():
    assert len(CASES) >= 60
    assert sorted(p.name for p in CORPUS.iterdir() if p.suffix != ".json") == CASES


@pytest.mark.parametrize("name", [n for n in CASES if "error" not in _expected(n)])
def test_a_file_becomes_its_table(name):
    expected = _expected(name)
    (table,) = read_file(CORPUS / name, Unit(name="bar", **expected.get("unit", {})))
    times = [str(t) for t in table.time_ns.view("M8[ns]")]
    wanted = [str(np.datetime64(t.removesuffix("Z"), "ns")) for t in expected["times"]]
    assert times == wanted
    assert [c.label for c in table.columns] == [c["label"] for c in expected["columns"]]
    assert [c.unit for c in table.columns] == [c["unit"] for c in expected["columns"]]
    for column, want in zip(table.columns, expected["columns"], strict=True):
        values = np.array([np.nan if v is None else v for v in want["values"]])
        np.testing.assert_allclose(column.values, values, rtol=1e-12, atol=0, err_msg=column.label)
        assert dict(column.error_words) == expected.get("error_words", {}).get(column.label, {})
    keys = {n.key for n in table.source.notes}
    assert set(expected.get("notes", [])) <= keys
    assert not set(expected.get("absent", [])) & keys
    assert [d.code for d in table.doubts] == expected.get("doubts", [])
    assert table.source.rows == len(times)


@pytest.mark.parametrize("name", [n for n in CASES if "error" in _expected(n)])
def test_a_file_that_cannot_be_read_is_refused_with_a_remedy(name):
    expected = _expected(name)
    with pytest.raises(LogFileError) as refusal:
        read_file(CORPUS / name, Unit(name="bar", **expected.get("unit", {})))
    error = refusal.value
    assert expected["error"] in str(error)
    assert error.file.split("/")[0] == name
    assert error.remedy
    if "line" in expected:
        assert error.line == expected["line"]


LOG = b"Time,Evap (C)\n" + b"".join(b"2026-05-04 10:%02d:00,%.2f\n" % (i, -3.5 - i / 100) for i in range(60))


@pytest.mark.parametrize("piece", [b" ", b"1:11,", b"1:11 ", b"1-1 ", b"\0", b'"a', b"key: ", b"    x"])
@pytest.mark.parametrize("place", ["head", "row", "line", "alone", "blank-separated"])
def test_a_line_of_a_megabyte_is_looked_through_once(tmp_path, piece, place):
    """A search that began anew at each character would not come to an end."""
    line = piece * (1_000_000 // len(piece))
    text = {
        "head": line + b"\n" + LOG,
        "row": LOG + b"2026-05-04 11:00:00," + line + b"\n" + LOG.split(b"\n", 1)[1],
        "line": LOG + line + b"\n",
        "alone": line,
        "blank-separated": LOG.replace(b" (C)", b"").replace(b",", b" ") + line + b"\n",
    }[place]
    path = tmp_path / "log.csv"
    path.write_bytes(text)
    try:
        (table,) = read_file(path, Unit(name="bar"))
        sound = len(table.time_ns) >= 60
    except LogFileError as error:
        sound = bool(error.remedy)
    assert sound


@pytest.mark.parametrize("name", [n for n in CASES if "error" not in _expected(n)])
def test_a_table_survives_being_kept_as_parquet(name, tmp_path):
    import pyarrow.parquet as pq

    from pipeline.logs.table import FileTable

    (table,) = read_file(CORPUS / name, Unit(name="bar", **_expected(name).get("unit", {})))
    pq.write_table(table.to_arrow(), tmp_path / "kept.parquet")
    again = FileTable.from_arrow(pq.read_table(tmp_path / "kept.parquet"))
    np.testing.assert_array_equal(again.time_ns, table.time_ns)
    assert again.source == table.source
    assert again.doubts == table.doubts
    assert (again.name, again.logger, again.same_clock) == (table.name, table.logger, table.same_clock)
    for one, other in zip(again.columns, table.columns, strict=True):
        assert (one.label, one.unit, one.unit_by, dict(one.error_words)) == (
            other.label,
            other.unit,
            other.unit_by,
            dict(other.error_words),
        )
        np.testing.assert_array_equal(one.values, other.values)
        np.testing.assert_array_equal(one.error, other.error)


@pytest.mark.parametrize("name", [n for n in CASES if "error" not in _expected(n)])
def test_a_large_file_is_read_in_pieces_to_the_same_table(name, monkeypatch):
    """Every file taken for a large one, in pieces of some rows."""
    from pipeline.logs.rows import columns
    from pipeline.logs.source import archives, decode

    unit = Unit(name="bar", **_expected(name).get("unit", {}))
    (whole,) = read_file(CORPUS / name, unit)
    monkeypatch.setattr(decode, "LARGE_BYTES", 0)
    monkeypatch.setattr(archives, "LARGE_BYTES", 0)
    monkeypatch.setattr(decode, "PIECE", 128)
    monkeypatch.setattr(decode, "LARGE_PIECE", 64)
    monkeypatch.setattr(columns, "PIECE_BYTES", 100)
    (pieces,) = read_file(CORPUS / name, unit)
    np.testing.assert_array_equal(pieces.time_ns, whole.time_ns)
    for one, other in zip(pieces.columns, whole.columns, strict=True):
        assert (one.label, one.unit, dict(one.error_words)) == (
            other.label,
            other.unit,
            dict(other.error_words),
        )
        np.testing.assert_array_equal(one.values, other.values)
    assert {n.key for n in pieces.source.notes} == {n.key for n in whole.source.notes}
