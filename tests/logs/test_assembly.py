"""From tables to one timeline: files of one logger joined, dates settled between files, nothing counted twice."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import UnitError
from pipeline.logs import assemble, read_file
from pipeline.unit import Unit
from tests.logs.tables import cycling, table, times, write

UNIT = Unit(name="bar")


def _part(name, log, a, b, *, logger=""):
    return table(
        name,
        times(log["seconds"][a:b]),
        {"Evaporator (°C)": ("°C", log["evaporator"][a:b]), "Current (A)": ("A", log["current"][a:b])},
        logger=logger,
    )


def test_nothing_to_read_is_refused():
    with pytest.raises(UnitError) as refusal:
        assemble([], UNIT)
    assert refusal.value.remedy


def test_a_unit_without_a_single_reading_is_refused():
    empty = table("log.csv", times(np.arange(9) * 10.0), {"Evaporator (°C)": ("°C", np.full(9, np.nan))})
    with pytest.raises(UnitError):
        assemble([empty], UNIT)


def test_files_of_one_logger_become_one_log_in_any_order():
    log = cycling()
    whole = assemble([_part("log.csv", log, 0, None)], UNIT)
    parts = [_part("c.csv", log, 0, 1500), _part("a.csv", log, 1500, 3000), _part("b.csv", log, 3000, None)]
    for order in ([0, 1, 2], [2, 0, 1], [1, 2, 0]):
        joined = assemble([parts[i] for i in order], UNIT)
        assert len(joined.channels) == 2
        for one, other in zip(whole.channels, joined.channels, strict=True):
            np.testing.assert_array_equal(one.time_ns, other.time_ns)
            np.testing.assert_array_equal(one.values, other.values)


def test_a_log_exported_again_with_more_rows_is_counted_once():
    log = cycling()
    joined = assemble([_part("monday.csv", log, 0, 2000), _part("tuesday.csv", log, 0, None)], UNIT)
    assert len(joined.channels) == 2
    np.testing.assert_array_equal(joined.channels[0].values, log["evaporator"])
    assert "logs.note.exported_twice" in {n.key for s in joined.sources for n in s.notes}


def test_two_loggers_with_the_same_headers_stay_two():
    one, two = cycling(seed=1), cycling(seed=2)
    joined = assemble([_part("left.csv", one, 0, None), _part("right.csv", two, 0, None)], UNIT)
    assert len(joined.channels) == 4
    assert sorted(c.chosen for c in joined.channels) == [False, False, True, True]


def test_serial_numbers_keep_loggers_apart_that_ran_one_after_the_other():
    log = cycling()
    parts = [_part("a.csv", log, 0, 2000, logger="11"), _part("b.csv", log, 2000, None, logger="12")]
    assert len(assemble(parts, UNIT).channels) == 4


def test_each_channel_keeps_its_own_samples():
    log = cycling(step_s=5.0)
    fast = table("clamp.csv", times(log["seconds"]), {"Current (A)": ("A", log["current"])})
    slow = table(
        "probes.csv", times(log["seconds"][::6]), {"Evaporator (°C)": ("°C", log["evaporator"][::6])}
    )
    timeline = assemble([fast, slow], UNIT)
    assert timeline.get("current").interval_s == 5.0
    assert timeline.get("evaporator").interval_s == 30.0
    assert len(timeline.get("evaporator").values) == len(log["seconds"][::6])
    assert timeline.start_ns == times(log["seconds"])[0]
    assert timeline.end_ns == times(log["seconds"])[-1]


def test_dates_that_can_be_read_both_ways_are_read_so_that_the_files_meet(tmp_path):
    rows = "".join(
        "03/04/2026 {:02d}:{:02d}:00,{:.1f}\n".format(*divmod(m, 60), -5 - m % 7) for m in range(300)
    )
    one = write(tmp_path / "a.csv", "Time,Evaporator (°C)\n" + rows)
    two = write(
        tmp_path / "b.csv",
        "Time,Current (A)\n"
        + "".join(f"2026-03-04T{h:02d}:{m:02d}:00,7.5\n" for h in range(8) for m in range(60)),
    )
    timeline = assemble([t for p in (one, two) for t in read_file(p, UNIT)], UNIT)
    assert str(np.datetime64(int(timeline.get("evaporator").time_ns[0]), "ns"))[:10] == "2026-03-04"
    notes = {n.key for s in timeline.sources for n in s.notes}
    assert "logs.note.date_order_by_others" in notes
    assert "logs.note.date_order_open" not in notes


def test_the_timeline_is_the_same_whatever_the_order_of_the_files():
    log = cycling()
    tables = [
        table("probes.csv", times(log["seconds"]), {"Evaporator (°C)": ("°C", log["evaporator"])}),
        table("clamp.csv", times(log["seconds"]), {"Current (A)": ("A", log["current"])}),
    ]
    one, other = assemble(tables, UNIT), assemble(tables[::-1], UNIT)
    assert [c.label for c in one.channels] == [c.label for c in other.channels]
    assert one.doubts == other.doubts


def test_fahrenheit_and_celsius_loggers_give_one_timeline():
    log = cycling()
    celsius = table("log.csv", times(log["seconds"]), {"Evaporator (°C)": ("°C", log["evaporator"])})
    fahrenheit = table(
        "log.csv", times(log["seconds"]), {"Evaporator (°F)": ("°F", 1.8 * log["evaporator"] + 32)}
    )
    one, other = (assemble([t], UNIT).get("evaporator") for t in (celsius, fahrenheit))
    np.testing.assert_allclose(one.values, other.values, atol=1e-9)
    assert (one.unit, other.unit, other.unit_read) == ("°C", "°C", "°F")


def test_the_step_between_readings_is_found():
    log = cycling()
    half = np.round(log["evaporator"] * 2) / 2
    channel = assemble(
        [table("log.csv", times(log["seconds"]), {"Evaporator (°C)": ("°C", half)})], UNIT
    ).channels[0]
    assert channel.resolution == pytest.approx(0.5)


def test_a_plain_table_of_every_channel_can_be_had():
    log = cycling()
    frame = assemble([_part("log.csv", log, 0, None)], UNIT).frame()
    assert list(frame.columns) == ["evaporator", "current"]
    assert str(frame.index.tz) == "UTC"


def test_a_log_without_dates_is_left_out_beside_one_that_has_them(tmp_path):
    from pipeline.logs import read_file
    from tests.logs.tables import write

    unit = Unit(name="bar")
    dated = write(
        tmp_path / "a.csv",
        "Time,Evaporator (°C)\n" + "".join(f"2026-05-04 10:{m:02d}:00,{-m / 10}\n" for m in range(30)),
    )
    undated = write(
        tmp_path / "b.csv", "Time,Room (°C)\n" + "".join(f"10:{m:02d}:00,{20 + m / 10}\n" for m in range(30))
    )
    (alone,) = read_file(undated, unit)
    assert str(alone.time_ns.view("M8[ns]")[0]).startswith("2001-01-01T10:00")
    timeline = assemble([*read_file(dated, unit), alone], unit)
    assert [c.label for c in timeline.channels] == ["Evaporator (°C)"]
    assert "logs.note.undated_left_out" in {n.key for n in timeline.sources[0].notes}


def test_of_a_label_of_many_kilobytes_its_ends_are_kept(tmp_path):
    """What is over a column stands on pages and in the store."""
    rows = "".join(f"2026-05-04 10:00:{s:02d},25.5\n" for s in range(0, 60, 2))
    path = write(tmp_path / "log.csv", f"Time,Evaporator {'y' * 20_000} (°F)\n{rows}")
    (column,) = read_file(path, UNIT)[0].columns
    assert len(column.label) <= 200
    assert column.label.startswith("Evaporator y")
    assert column.unit == "°F"
