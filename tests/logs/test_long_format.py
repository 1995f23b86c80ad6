"""Logs with one reading a row and the channel's name beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import LogFileError
from pipeline.logs import assemble, read_file
from pipeline.logs.table import FileTable
from pipeline.unit import Unit
from tests.logs.tables import cycling, times, write

UNIT = Unit(name="bar")


def _stamp(second: int) -> str:
    return str(np.datetime64("2026-05-04T00:00:00") + int(second)).replace("T", " ")


def _staggered(tmp_path, late_s: int = 1):
    """A file whose second channel is read `late_s` after the first."""
    log = cycling(hours=6.0)
    rows = ["time,sensor_name,value"]
    for s, e, i in zip(log["seconds"].astype(int), log["evaporator"], log["current"], strict=True):
        rows += [f"{_stamp(s)},evap_temp_c,{e:.2f}", f"{_stamp(s + late_s)},line_amps,{i:.2f}"]
    return write(tmp_path / "tall.csv", "\n".join(rows) + "\n"), log


def test_channels_that_are_read_one_after_the_other_keep_their_own_moments(tmp_path):
    path, log = _staggered(tmp_path)
    evaporator, current = read_file(path, UNIT)
    assert (evaporator.name, current.name) == ("tall.csv/evap_temp_c", "tall.csv/line_amps")
    np.testing.assert_array_equal(evaporator.time_ns, times(log["seconds"]))
    np.testing.assert_array_equal(current.time_ns, times(log["seconds"] + 1))
    np.testing.assert_array_equal(evaporator.columns[0].values, log["evaporator"])
    np.testing.assert_array_equal(current.columns[0].values, log["current"])


def test_the_channels_of_one_file_are_on_one_clock_whatever_their_traces_say(tmp_path):
    path, log = _staggered(tmp_path, late_s=600)  # as if the clamp's clock were ten minutes ahead
    timeline = assemble(read_file(path, UNIT), UNIT)
    assert not [d for d in timeline.doubts if d.code == "clock-offset"]
    np.testing.assert_array_equal(timeline.get("current").time_ns, times(log["seconds"] + 600))
    apart = [replace(t, same_clock="") for t in read_file(path, UNIT)]
    assert [d for d in assemble(apart, UNIT).doubts if d.code == "clock-offset"]


def test_an_offset_in_unit_toml_moves_every_channel_of_the_file(tmp_path):
    path, log = _staggered(tmp_path)
    unit = Unit(name="bar", clock={"offset_s": {"tall.csv": 30.0}})
    timeline = assemble(read_file(path, unit), unit)
    np.testing.assert_array_equal(timeline.get("evaporator").time_ns, times(log["seconds"] + 30))
    np.testing.assert_array_equal(timeline.get("current").time_ns, times(log["seconds"] + 31))


def test_a_channel_that_misses_a_moment_has_no_reading_there(tmp_path):
    log = cycling(hours=1.0)
    rows = ["Time,Channel,Value"]
    for k, (s, e, i) in enumerate(
        zip(log["seconds"].astype(int), log["evaporator"], log["current"], strict=True)
    ):
        rows.append(f"{_stamp(s)},Evaporator °C,{e:.2f}")
        rows += [f"{_stamp(s)},Current A,{i:.2f}"] * (k != 50)
    (table,) = read_file(write(tmp_path / "tall.csv", "\n".join(rows) + "\n"), UNIT)
    evaporator, current = table.columns
    np.testing.assert_array_equal(evaporator.values, log["evaporator"])
    assert np.flatnonzero(np.isnan(current.values)).tolist() == [50]


def test_an_error_word_belongs_to_its_own_channel(tmp_path):
    rows = ["Time,Channel,Value"]
    for k in range(40):
        rows += [f"{_stamp(10 * k)},Evap °C,{'OL' if k in (7, 8) else -k / 10}", f"{_stamp(10 * k)},Amps,7.5"]
    (table,) = read_file(write(tmp_path / "tall.csv", "\n".join(rows) + "\n"), UNIT)
    evaporator, current = table.columns
    assert dict(evaporator.error_words) == {"OL": 2}
    assert np.flatnonzero(evaporator.error).tolist() == [7, 8]
    assert current.error is None


def test_a_table_of_a_shared_clock_survives_being_kept(tmp_path):
    path, _log = _staggered(tmp_path)
    for table in read_file(path, UNIT):
        assert FileTable.from_arrow(table.to_arrow()).same_clock == table.same_clock == "tall.csv"


def test_two_machines_in_one_file_are_refused(tmp_path):
    rows = ["Time,Machine,Evap °C,Amps"]
    for k in range(40):
        rows += [f"{_stamp(10 * k)},left,{-k / 10},7.5", f"{_stamp(10 * k)},right,{-k / 7:.2f},6.1"]
    with pytest.raises(LogFileError, match=r"rows of several sources .*left, right"):
        read_file(write(tmp_path / "two.csv", "\n".join(rows) + "\n"), UNIT)


def test_a_sensor_that_is_one_and_the_same_all_along_takes_nothing_from_the_header(tmp_path):
    rows = ["Time,Sensor,Evaporator (°C)", *(f"{_stamp(10 * k)},S1,{-k / 10}" for k in range(40))]
    (table,) = read_file(write(tmp_path / "one.csv", "\n".join(rows) + "\n"), UNIT)
    assert [c.label for c in table.columns] == ["Evaporator (°C)"]


def test_more_names_than_a_logger_has_channels_are_refused(tmp_path):
    rows = ["Time,Channel,Value"]
    for k in range(12_000):
        rows += [f"{_stamp(10 * k)},{name},1.5" for name in ("left", "right" if k > 3000 else f"remark {k}")]
    with pytest.raises(LogFileError, match="more than any logger has"):
        read_file(write(tmp_path / "remarks.csv", "\n".join(rows) + "\n"), UNIT)


def test_logs_side_by_side_keep_each_its_own_clock(tmp_path):
    rows = ["Time A,Evaporator °C,,Time B,Current A"]
    rows += [f"{_stamp(20 * k)},{k / 10 - 5:.1f},,{_stamp(20 * k + 7)},{7 + k / 100:.2f}" for k in range(60)]
    evaporator, current = read_file(write(tmp_path / "two.csv", "\n".join(rows) + "\n"), UNIT)
    assert (evaporator.name, current.name) == ("two.csv/Evaporator °C", "two.csv/Current A")
    np.testing.assert_array_equal(evaporator.time_ns, times(20 * np.arange(60)))
    np.testing.assert_array_equal(current.time_ns, times(20 * np.arange(60) + 7))
    assert [c.label for t in (evaporator, current) for c in t.columns] == ["Evaporator °C", "Current A"]


def test_one_clock_told_in_two_zones_is_one(tmp_path):
    rows = ["UTC,Evaporator °C,Local,Current A"]
    rows += [
        f"{_stamp(20 * k)},{k / 10 - 5:.1f},{_stamp(20 * k + 7200)},{7 + k / 100:.2f}" for k in range(60)
    ]
    (table,) = read_file(write(tmp_path / "zones.csv", "\n".join(rows) + "\n"), UNIT)
    np.testing.assert_array_equal(table.time_ns, times(20 * np.arange(60)))
    assert len(table.columns) == 2


def test_a_unit_that_changes_from_row_to_row_tells_channels_apart_whatever_the_columns_are_called(tmp_path):
    """Polled one after the other, beside the number of the one device on the line: no moment comes twice, and no label is a known one."""
    log = cycling(hours=6.0)
    rows = ["timestamp_ms,slave,polled,read,measured_in,rssi"]
    start_ms = 1777852800000
    for s, e, i in zip(log["seconds"].astype(int), log["evaporator"], log["current"], strict=True):
        at = start_ms + 1000 * s
        rows += [f"{at},7,evap_temp,{e:.2f},degC,{-60 - s % 7}", f"{at + 37},7,comp_current,{i:.2f},A,-71"]
    timeline = assemble(read_file(write(tmp_path / "tall.csv", "\n".join(rows) + "\n"), UNIT), UNIT)
    assert {(c.role, c.label, c.unit) for c in timeline.channels} == {
        ("evaporator", "evap_temp", "°C"),
        ("current_compressor", "comp_current", "A"),
    }
    np.testing.assert_array_equal(timeline.get("evaporator").values, log["evaporator"])


def test_loggers_that_write_in_turn_are_told_apart_and_named_by_the_head(tmp_path):
    log = cycling(hours=6.0)
    rows = ["A3F1 = suction clip, °C", "B770 = clamp on supply, A", "", "node;utc;value"]
    for s, e, i in zip(log["seconds"].astype(int), log["evaporator"], log["current"], strict=True):
        rows += [f"A3F1;{_stamp(s)};{e:.2f}", f"B770;{_stamp(s + 3)};{i:.2f}"]
    suction, current = read_file(write(tmp_path / "turns.csv", "\n".join(rows) + "\n"), UNIT)
    assert (suction.columns[0].label, suction.columns[0].unit) == ("A3F1 suction clip, °C", "°C")
    assert (current.columns[0].label, current.columns[0].unit) == ("B770 clamp on supply, A", "A")
    np.testing.assert_array_equal(suction.columns[0].values, log["evaporator"])
    np.testing.assert_array_equal(current.time_ns, times(log["seconds"] + 3))


def test_a_word_for_how_the_machine_stands_splits_no_log(tmp_path):
    log = cycling(hours=6.0)
    rows = ["utc;phase;value"]
    for s, e in zip(log["seconds"].astype(int), log["evaporator"], strict=True):
        rows.append(f"{_stamp(s)};{'cold' if e < -5 else 'warm'};{e:.2f}")
    (only,) = read_file(write(tmp_path / "phases.csv", "\n".join(rows) + "\n"), UNIT)
    np.testing.assert_array_equal(only.columns[0].values, log["evaporator"])


def test_machines_that_write_in_turn_are_not_made_one_log(tmp_path):
    log = cycling(hours=2.0)
    rows = ["which;utc;plate (°C);line (A)"]
    for s, e, i in zip(log["seconds"].astype(int), log["evaporator"], log["current"], strict=True):
        rows += [f"north;{_stamp(s)};{e:.2f};{i:.2f}", f"south;{_stamp(s + 3)};{e:.2f};{i:.2f}"]
    with pytest.raises(LogFileError, match="rows of several sources"):
        read_file(write(tmp_path / "two.csv", "\n".join(rows) + "\n"), UNIT)
