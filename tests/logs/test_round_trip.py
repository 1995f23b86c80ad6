"""Write any table in any dialect, read it back the same (hypothesis); times against the standard library's zones."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.logs import read_file
from pipeline.logs.clock.stamp_parser import days_since_1970, parse
from pipeline.logs.clock.time_zones import to_utc
from pipeline.logs.rows.column_blocks import CellBlock
from pipeline.unit import Unit

STAMPS = {
    "iso": "%Y-%m-%d %H:%M:%S",
    "iso T": "%Y-%m-%dT%H:%M:%S",
    "day-first": "%d/%m/%Y %H:%M:%S",
    "dots": "%d.%m.%Y %H:%M:%S",
    "month-first": "%m/%d/%Y %H:%M:%S",
    "am/pm": "%m/%d/%Y %I:%M:%S %p",
    "two-digit year": "%d/%m/%y %H:%M:%S",
    "named": "%d-%b-%Y %H:%M:%S",
    "compact": "%Y%m%dT%H%M%S",
}
ORDER = {
    "day-first": "day-first",
    "dots": "day-first",
    "two-digit year": "day-first",
    "month-first": "month-first",
    "am/pm": "month-first",
}

readings = st.lists(
    st.tuples(
        st.one_of(st.none(), st.integers(-6000, 6000).map(lambda v: v / 100)),
        st.one_of(st.none(), st.integers(0, 3000).map(lambda v: v / 100)),
    ),
    min_size=4,
    max_size=30,
).filter(lambda rows: all(sum(r[k] is not None for r in rows) >= 3 for k in (0, 1)))


@st.composite
def dialects(draw):
    decimal = draw(st.sampled_from([".", ","]))
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"] if decimal == "." else [";", "\t", "|"]))
    return {
        "decimal": decimal,
        "delimiter": delimiter,
        "stamp": draw(st.sampled_from(sorted(STAMPS))),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        "newline": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "quote": draw(st.sampled_from(["", '"'])),
        "units_row": draw(st.booleans()),
        "preamble": draw(
            st.lists(
                st.sampled_from(["Site: kitchen", "Logger serial: 17", "", "# made by hand"]), max_size=4
            )
        ),
        "tail": draw(st.sampled_from([(), ("",), ("", "End of log")])),
        "trailing": draw(st.booleans()),
        "newest first": draw(st.booleans()),
    }


def _text(start: datetime, step_s: int, rows, d) -> str:
    q, delimiter = d["quote"], d["delimiter"]

    def cell(value) -> str:
        text = "" if value is None else f"{value:.2f}".replace(".", d["decimal"])
        return f"{q}{text}{q}"

    labels = ("Evaporator", "Current") if d["units_row"] else ("Evaporator (°C)", "Current (A)")
    end = delimiter if d["trailing"] else ""
    lines = [*d["preamble"]]
    if d["preamble"] and d["preamble"][-1]:
        lines.append("")
    lines.append(delimiter.join(f"{q}{h}{q}" for h in ("Time", *labels)) + end)
    if d["units_row"]:
        lines.append(delimiter.join(f"{q}{u}{q}" for u in ("", "°C", "A")) + end)
    moments = list(enumerate(rows))
    for i, (a, b) in reversed(moments) if d["newest first"] else moments:
        stamp = (start + timedelta(seconds=step_s * i)).strftime(STAMPS[d["stamp"]])
        lines.append(delimiter.join((f"{q}{stamp}{q}", cell(a), cell(b))) + end)
    return d["newline"].join([*lines, *d["tail"], ""])


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    start=st.datetimes(datetime(2001, 1, 2), datetime(2068, 12, 1)).map(lambda t: t.replace(microsecond=0)),
    step_s=st.integers(1, 600),
    rows=readings,
    dialect=dialects(),
)
def test_a_table_written_in_any_dialect_is_read_back_the_same(tmp_path, start, step_s, rows, dialect):
    path = tmp_path / "log.csv"
    path.write_bytes(_text(start, step_s, rows, dialect).encode(dialect["encoding"]))
    clock = {"date_order": ORDER[dialect["stamp"]]} if dialect["stamp"] in ORDER else {}
    (table,) = read_file(path, Unit(name="bar", clock=clock))
    wanted = [np.datetime64(start + timedelta(seconds=step_s * i), "ns") for i in range(len(rows))]
    assert table.time_ns.view("M8[ns]").tolist() == np.array(wanted).tolist()
    assert [c.unit for c in table.columns] == ["°C", "A"]
    for k, column in enumerate(table.columns):
        np.testing.assert_array_equal(column.values, [np.nan if r[k] is None else r[k] for r in rows])


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    start=st.datetimes(datetime(2001, 1, 2), datetime(2068, 12, 1)).map(lambda t: t.replace(microsecond=0)),
    rows=readings,
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    in_blocks=st.booleans(),
    unit_column=st.booleans(),
)
def test_a_table_written_a_channel_a_row_is_read_back_the_same(
    tmp_path, start, rows, delimiter, in_blocks, unit_column
):
    lines = []
    for k, (label, unit) in enumerate((("Evaporator (°C)", "°C"), ("Current (A)", "A"))):
        for i, values in enumerate(rows):
            value = "" if values[k] is None else f"{values[k]:.2f}"
            stamp = (start + timedelta(seconds=10 * i)).strftime("%Y-%m-%d %H:%M:%S")
            name = label.split(" (")[0] if unit_column else label
            lines.append((i, delimiter.join([stamp, name, value, *([unit] if unit_column else [])])))
    if not in_blocks:
        lines.sort(key=lambda line: line[0])
    header = ["Time", "Channel", "Value", *(["Unit"] if unit_column else [])]
    path = tmp_path / "tall.csv"
    path.write_text("\n".join([delimiter.join(header), *(line for _i, line in lines), ""]), encoding="utf-8")
    (table,) = read_file(path, Unit(name="bar"))
    wanted = [np.datetime64(start + timedelta(seconds=10 * i), "ns") for i in range(len(rows))]
    assert table.time_ns.view("M8[ns]").tolist() == np.array(wanted).tolist()
    assert [(c.label.split(" (")[0], c.unit) for c in table.columns] == [
        ("Evaporator", "°C"),
        ("Current", "A"),
    ]
    for k, column in enumerate(table.columns):
        np.testing.assert_array_equal(column.values, [np.nan if r[k] is None else r[k] for r in rows])


@settings(max_examples=60, deadline=None)
@given(
    zone=st.sampled_from(
        [
            "Europe/Madrid",
            "Europe/Lisbon",
            "America/Chicago",
            "America/St_Johns",
            "Australia/Lord_Howe",
            "Asia/Kolkata",
            "UTC",
        ]
    ),
    start=st.datetimes(datetime(2015, 1, 1), datetime(2035, 1, 1)),
    step_s=st.sampled_from([60, 300, 600]),
    hours=st.integers(2, 24 * 9),
)
def test_local_times_become_utc_as_the_standard_library_has_it(zone, start, step_s, hours):
    start = start.replace(microsecond=0, tzinfo=UTC)
    utc = [start + timedelta(seconds=step_s * i) for i in range(hours * 3600 // step_s)]
    local = np.array([t.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for t in utc], "M8[ns]").astype(
        np.int64
    )
    got, _notes = to_utc(local, ZoneInfo(zone))
    want = np.array([t.replace(tzinfo=None) for t in utc], "M8[ns]").astype(np.int64)
    # a log that begins or ends within the hour that comes twice can't be told apart from one an hour later
    unsure = [
        i
        for i in (0, -1)
        if utc[i].astimezone(ZoneInfo(zone)).fold
        or (utc[i] + timedelta(hours=1)).astimezone(ZoneInfo(zone)).fold
    ]
    if not unsure:
        np.testing.assert_array_equal(got, want)


@settings(max_examples=60, deadline=None)
@given(
    days=st.lists(
        st.dates(datetime(1900, 1, 1).date(), datetime(2200, 12, 31).date()), min_size=1, max_size=50
    )
)
def test_days_are_counted_as_the_standard_library_counts_them(days):
    parts = (np.array([getattr(d, k) for d in days], np.int32) for k in ("year", "month", "day"))
    got, there = days_since_1970(*parts)
    assert there.all()
    assert got.tolist() == [(d - datetime(1970, 1, 1).date()).days for d in days]


def test_days_that_do_not_exist_are_marked():
    year = np.array([2026, 2026, 2100, 2024, 2026, 2026], np.int32)
    month = np.array([2, 4, 2, 2, 13, 0], np.int32)
    day = np.array([29, 31, 29, 29, 1, 1], np.int32)
    assert days_since_1970(year, month, day)[1].tolist() == [False, False, False, True, False, False]


@settings(max_examples=80, deadline=None)
@given(
    moments=st.lists(st.datetimes(datetime(2000, 1, 1), datetime(2068, 1, 1)), min_size=1, max_size=40),
    form=st.sampled_from(
        ["%Y-%m-%d %H:%M:%S", "%d/%m/%Y %H:%M:%S.%f", "%B %d, %Y %I:%M:%S %p", "%d-%b-%y %H:%M"]
    ),
)
def test_stamps_are_parsed_as_the_standard_library_parses_them(moments, form):
    cells = [t.strftime(form).encode() for t in moments]
    ends = np.cumsum([len(c) for c in cells])
    block = CellBlock(
        data=np.frombuffer(b"".join(cells), np.uint8), starts=np.concatenate([[0], ends[:-1]]), ends=ends
    )
    stamps = parse([block])
    assert stamps.ok.all()
    back = [datetime.strptime(c.decode(), form) for c in cells]
    midnight = [(t.hour * 3600 + t.minute * 60 + t.second) * 10**9 + t.microsecond * 1000 for t in back]
    assert stamps.clock_ns.tolist() == midnight
    order = (2, 1, 0) if form.startswith("%d/") else (0, 1, 2)
    dates = np.repeat(stamps.parts[list(order)], stamps.rows_of_stretches, axis=1)
    assert [tuple(dates[:, i].tolist()) for i in range(len(back))] == [(t.year, t.month, t.day) for t in back]
