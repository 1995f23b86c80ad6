"""Each way of writing a table, to the character."""

from __future__ import annotations

import gzip
from dataclasses import replace

import numpy as np
import pytest

from pipeline.demo.dialects import LoggerFormat, csv_bytes, gzipped
from pipeline.demo.machine import SLAB
from pipeline.demo.simulator import NS, simulate


@pytest.fixture(scope="module")
def log():
    """Three readings about noon, local time one hour ahead of UTC."""
    sim = simulate(SLAB, days=0.01, interval_s=10, roles=["ambient"])
    at = int(np.datetime64("2026-06-03T11:59:50", "s").astype(np.int64))
    return replace(
        sim,
        tz="Europe/Lisbon",
        time_ns=(np.array([at, at + 10, at + 20]) - 3600) * NS,
        channels={"evaporator": np.array([-40.0, np.nan, 12.34]), "current": np.array([0.0, 3.456, 10.0])},
    )


def lines(log, **kwargs) -> list[str]:
    dialect = LoggerFormat(labels={"evaporator": "Evap", "current": "Amps"}, **kwargs)
    return csv_bytes(log, dialect).decode().splitlines()


@pytest.mark.parametrize(
    ("stamp", "first", "second"),
    [
        ("iso", "2026-06-03 11:59:50", "2026-06-03 12:00:00"),
        ("iso-offset", "2026-06-03T11:59:50+01:00", "2026-06-03T12:00:00+01:00"),
        ("day-first", "03/06/2026 11:59:50", "03/06/2026 12:00:00"),
        ("dotted", "03.06.2026 11:59:50", "03.06.2026 12:00:00"),
        ("month-first-12h", "06/03/2026 11:59:50 AM", "06/03/2026 12:00:00 PM"),
        ("epoch", "1780484390", "1780484400"),  # date -u -d 2026-06-03T10:59:50 +%s
        ("elapsed", "0.0", "10.0"),
    ],
)
def test_times_are_written_as_the_dialect_has_them(log, stamp, first, second):
    rows = lines(log, stamp=stamp)
    assert rows[0] == "Time,Evap,Amps"
    assert [row.split(",")[0] for row in rows[1:3]] == [first, second]


def test_midnight_is_twelve_at_night(log):
    night = replace(log, time_ns=log.time_ns + 12 * 3600 * NS)
    assert [r.split(",")[0] for r in lines(night, stamp="month-first-12h")[1:3]] == [
        "06/03/2026 11:59:50 PM",
        "06/04/2026 12:00:00 AM",
    ]


def test_date_and_time_may_stand_apart(log):
    rows = lines(log, stamp="date-and-time", delimiter="\t", header=("Date", "Time"))
    assert rows[:2] == ["Date\tTime\tEvap\tAmps", "03-06-2026\t11:59:50\t-40.0\t0.00"]


def test_decimal_commas_missing_readings_and_trailing_delimiters(log):
    rows = lines(log, delimiter=";", decimal=",", no_reading="OL", trailing_delimiter=True)
    assert rows[0] == "Time;Evap;Amps;"
    assert [r.split(";", 1)[1] for r in rows[1:]] == ["-40,0;0,00;", "OL;3,46;", "12,3;10,00;"]


def test_fahrenheit_and_milliamps(log):
    rows = lines(log, fahrenheit=True, milliamps=True)
    # −40 is the same on both scales; 12.34 °C = 54.212 °F (NIST SP 811, appendix B: t/°F = 1.8 t/°C + 32)
    assert [r.split(",")[1:] for r in rows[1:]] == [["-40.0", "0"], ["", "3456"], ["54.2", "10000"]]


def test_preamble_units_row_footer_and_line_ends(log):
    dialect = LoggerFormat(
        labels={"evaporator": "Evap", "current": "Amps"}, preamble=("Start: {start}", ""), units_row=("", "°C", "A"),
        footer=True, quoted=True, line_end="\r\n", bom=True,
    )  # fmt: skip
    data = csv_bytes(log, dialect)
    assert data.startswith(b"\xef\xbb\xbfStart: 2026-06-03 11:59:50\r\n\r\n")
    rows = data.decode("utf-8-sig").split("\r\n")
    assert rows[2:4] == ['"Time","Evap","Amps"', '"","°C","A"']
    assert rows[-4:] == ["", "Lowest,-40.0,0.00", "Highest,12.3,10.00", ""]


def test_gzip_carries_neither_name_nor_time():
    data = b"Time,A\n" * 50
    assert gzip.decompress(gzipped(data)) == data
    assert gzipped(data)[4:8] == b"\0\0\0\0"  # RFC 1952: MTIME, 0 = no time stamp
    assert gzipped(data)[3] == 0  # RFC 1952: FLG, no FNAME
