"""What was read of a unit is kept exactly, found again, and made again where it is damaged."""

import json
import os
import re
import shutil

import numpy as np
import pytest

import pipeline.logs
from pipeline.errors import LogFileError
from pipeline.logs import find_units
from pipeline.store import KeptReport, StorePlace, UnitStore
from pipeline.unit import Unit
from tests.store.scene import write_log, write_unit

BAR = Unit(name="bar")


@pytest.fixture
def parsed(monkeypatch):
    """Names of the files that the reader was really asked to parse."""
    names = []
    read_file = pipeline.logs.read_file

    def counted(path, unit):
        names.append(path.name)
        return read_file(path, unit)

    monkeypatch.setattr(pipeline.logs, "read_file", counted)
    return names


@pytest.fixture
def logs(tmp_path):
    write_unit(tmp_path / "logs", "bar")
    return tmp_path / "logs"


def files_of(logs, name="bar"):
    return next(files for files in find_units(logs) if files.name == name)


def store_of(tmp_path):
    return UnitStore(StorePlace(tmp_path / "reports"), "bar")


def read_all(tmp_path, logs, unit=BAR):
    store, files = store_of(tmp_path), files_of(logs)
    tables = [table for path in files.files for table in store.read(path, unit)]
    store.finish(KeptReport(fingerprint=store.basis(files, "").fingerprint), files=files)
    return tables


def assert_same(first, second):
    assert len(first) == len(second)
    for one, other in zip(first, second, strict=True):
        assert one.source == other.source
        assert one.name == other.name
        np.testing.assert_array_equal(one.time_ns, other.time_ns)
        assert [(c.label, c.unit, c.unit_by, c.error_words) for c in one.columns] == [
            (c.label, c.unit, c.unit_by, c.error_words) for c in other.columns
        ]
        for mine, theirs in zip(one.columns, other.columns, strict=True):
            np.testing.assert_array_equal(mine.values, theirs.values)


def parquet_files(tmp_path):
    return sorted((tmp_path / "reports" / ".store" / "units" / "bar").glob("*.parquet"))


def test_an_unchanged_file_is_parsed_once_and_found_the_same(tmp_path, logs, parsed):
    first = read_all(tmp_path, logs)
    second = read_all(tmp_path, logs)
    assert parsed == ["probes.csv"]
    assert_same(first, second)


def test_only_the_file_that_changed_is_parsed_again(tmp_path, logs, parsed):
    write_log(logs / "bar" / "second.csv", seed=5)
    read_all(tmp_path, logs)
    write_log(logs / "bar" / "second.csv", seed=6)
    read_all(tmp_path, logs)
    assert parsed == ["probes.csv", "second.csv", "second.csv"]


def test_a_change_that_keeps_size_and_modification_time_is_seen(tmp_path, logs, parsed):
    path = logs / "bar" / "probes.csv"
    read_all(tmp_path, logs)
    before = path.stat()
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"(08:00:30,)\d", r"\g<1>9", text), encoding="utf-8")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert path.stat().st_size == before.st_size
    tables = read_all(tmp_path, logs)
    assert parsed == ["probes.csv"] * 2
    assert 9 <= tables[0].columns[0].values[1] < 10


def test_a_touched_file_is_not_parsed_again(tmp_path, logs, parsed):
    read_all(tmp_path, logs)
    os.utime(logs / "bar" / "probes.csv", (1, 1))
    read_all(tmp_path, logs)
    assert parsed == ["probes.csv"]


def test_a_unit_toml_that_changes_the_reading_makes_the_reading_due(tmp_path, logs, parsed):
    first = read_all(tmp_path, logs)
    second = read_all(tmp_path, logs, Unit(name="bar", time_zone="America/Chicago"))
    assert parsed == ["probes.csv"] * 2
    assert (
        second[0].time_ns[0] - first[0].time_ns[0] == 5 * 3600 * 10**9
    )  # CDT is UTC−5 in May (IANA tz database)


def test_another_version_of_the_reader_reads_again(tmp_path, logs, parsed, monkeypatch):
    read_all(tmp_path, logs)
    monkeypatch.setattr("pipeline.store.unit_store.reader_version", lambda: "another")
    read_all(tmp_path, logs)
    assert parsed == ["probes.csv"] * 2


def test_a_refused_file_is_refused_again_without_a_second_look(tmp_path, logs, parsed):
    (logs / "bar" / "probes.csv").write_text("Dear Sir,\nthe logger was lost.\n", encoding="utf-8")
    said = []
    for _ in range(2):
        store, files = store_of(tmp_path), files_of(logs)
        with pytest.raises(LogFileError) as refused:
            store.read(files.files[0], BAR)
        said.append(str(refused.value))
        store.finish(KeptReport(fingerprint=""), files=files)
    assert said[0] == said[1]
    assert "probes.csv" in said[0]
    assert parsed == ["probes.csv"]


@pytest.mark.parametrize("harm", ["cut short", "one bit", "emptied", "gone", "another table"])
def test_a_damaged_table_is_set_aside_and_made_again_from_the_input(tmp_path, logs, parsed, harm):
    first = read_all(tmp_path, logs)
    (table,) = parquet_files(tmp_path)
    data = bytearray(table.read_bytes())
    if harm == "cut short":
        table.write_bytes(data[: len(data) // 2])
    elif harm == "one bit":
        data[len(data) // 3] ^= 0x10
        table.write_bytes(data)
    elif harm == "emptied":
        table.write_bytes(b"")
    elif harm == "gone":
        table.unlink()
    else:
        shutil.copy(__file__, table)
    assert_same(first, read_all(tmp_path, logs))
    assert parsed == ["probes.csv"] * 2
    aside = tmp_path / "reports" / ".store" / "damaged"
    assert harm == "gone" or [p.name.split("-", 2)[1] for p in aside.iterdir()] == ["bar"]
    assert_same(first, read_all(tmp_path, logs))
    assert parsed == ["probes.csv"] * 2


@pytest.mark.parametrize(
    "index",
    [b"", b"{}", b"\x00" * 200, b'00000000 {"format":1}\n', b"a1b2c3d4 [1]\n"],
    ids=["empty", "no checksum", "zeros", "wrong checksum", "other content"],
)
def test_a_damaged_index_is_set_aside_and_made_again(tmp_path, logs, parsed, index):
    first = read_all(tmp_path, logs)
    place = tmp_path / "reports" / ".store" / "units" / "bar" / "index.json"
    place.write_bytes(index)
    assert_same(first, read_all(tmp_path, logs))
    assert parsed == ["probes.csv"] * 2
    assert len(list((tmp_path / "reports" / ".store" / "damaged").iterdir())) == 1


def test_every_single_changed_byte_of_the_index_is_noticed(tmp_path, logs):
    read_all(tmp_path, logs)
    place = tmp_path / "reports" / ".store" / "units" / "bar" / "index.json"
    sound = place.read_bytes()
    for at in range(0, len(sound), 7):
        place.write_bytes(sound[:at] + bytes([sound[at] ^ 1]) + sound[at + 1 :])
        assert store_of(tmp_path).report is None, f"byte {at}"


def test_what_no_input_holds_any_more_leaves_the_store(tmp_path, logs):
    write_log(logs / "bar" / "second.csv", seed=5)
    read_all(tmp_path, logs)
    assert len(parquet_files(tmp_path)) == 2
    (logs / "bar" / "second.csv").unlink()
    read_all(tmp_path, logs)
    assert len(parquet_files(tmp_path)) == 1


def test_two_files_of_the_same_content_keep_their_own_names(tmp_path, logs):
    shutil.copy(logs / "bar" / "probes.csv", logs / "bar" / "probes copy.csv")
    read_all(tmp_path, logs)
    assert {table.name for table in read_all(tmp_path, logs)} == {"probes.csv", "probes copy.csv"}


def test_a_file_name_that_is_not_unicode_does_no_harm(tmp_path, logs):
    odd = os.fsdecode(os.fsencode(logs / "bar") + b"/caf\xe9.csv")
    try:
        shutil.copy(logs / "bar" / "probes.csv", odd)
    except OSError:
        pytest.skip("this file system takes no such name")
    read_all(tmp_path, logs)
    assert len(read_all(tmp_path, logs)) == 2


def test_the_index_is_plain_json_behind_its_checksum(tmp_path, logs):
    read_all(tmp_path, logs)
    raw = (tmp_path / "reports" / ".store" / "units" / "bar" / "index.json").read_text(encoding="utf-8")
    body = json.loads(raw.partition(" ")[2])
    assert set(body["files"]) == {"bar/probes.csv"}
