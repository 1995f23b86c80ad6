"""The same log in twelve dialects gives the same cycles, byte for byte, from files to `cycles.csv`."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from pipeline.demo.machine import MACHINES
from pipeline.demo.simulator import simulate
from pipeline.fleet.run import RunOptions, report

LABELS = ("Evaporator (°C)", "Unit current (A)")


@dataclass(frozen=True, kw_only=True)
class Dialect:
    """How one export looks."""

    stamp: Callable[[datetime], str]
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    quote: str = ""
    header: tuple[str, ...] = ("Time", *LABELS)
    before: str = ""
    after: str = ""
    newline: str = "\n"
    packed: bool = False


def _strf(pattern: str) -> Callable[[datetime], str]:
    return lambda t: t.strftime(pattern)


DIALECTS = {
    "iso": Dialect(stamp=_strf("%Y-%m-%d %H:%M:%S")),
    "iso-zone": Dialect(stamp=_strf("%Y-%m-%dT%H:%M:%SZ")),
    "decimal-comma": Dialect(
        stamp=_strf("%d.%m.%Y %H:%M:%S"),
        delimiter=";",
        decimal=",",
        encoding="cp1252",
        header=("Zeit", "Verdampfer (°C)", "Strom (A)"),
    ),
    "am-pm": Dialect(stamp=_strf("%m/%d/%Y %I:%M:%S %p"), quote='"', newline="\r\n"),
    "utf-16": Dialect(stamp=_strf("%d/%m/%Y %H:%M:%S"), delimiter="\t", encoding="utf-16"),
    "apart": Dialect(
        stamp=_strf("%d/%m/%Y;%H:%M:%S"),
        delimiter=";",
        header=("Fecha;Hora", "Evaporador (ºC)", "Corriente total (A)"),
    ),
    "epoch": Dialect(stamp=lambda t: str(int((t - datetime(1970, 1, 1)).total_seconds()))),
    "epoch-ms": Dialect(
        stamp=lambda t: str(int((t - datetime(1970, 1, 1)).total_seconds()) * 1000), delimiter="|"
    ),
    "serial-days": Dialect(stamp=lambda t: f"{(t - datetime(1899, 12, 30)).total_seconds() / 86400:.7f}"),
    "elapsed": Dialect(
        stamp=lambda t: f"{(t - START).total_seconds():.1f}",
        header=("Elapsed (s)", *LABELS),
        before="Start: 2026-03-02 06:00:00\nInterval: 10 s\n\n",
    ),
    "units-row": Dialect(
        stamp=_strf("%d-%b-%Y %H:%M:%S"),
        header=("Date/Time", "Évaporateur", "Courant"),
        before="",
        encoding="utf-8-sig",
        after="\nFin;;\n",
    ),
    "gzip-cr": Dialect(stamp=_strf("%y/%m/%d %H:%M:%S"), newline="\r", packed=True),
}
START = datetime(2026, 3, 2, 6, 0, 0)


def _write(
    folder: Path, name: str, dialect: Dialect, times: list[datetime], columns: list[np.ndarray]
) -> None:
    q, d = dialect.quote, dialect.delimiter
    lines = [d.join(f"{q}{h}{q}" for h in dialect.header)]
    if name == "units-row":
        lines.append(d.join(("", "°C", "A")))
    for t, *values in zip(times, *columns, strict=True):
        cells = [f"{q}{v:.2f}{q}".replace(".", dialect.decimal) for v in values]
        lines.append(d.join([f"{q}{dialect.stamp(t)}{q}", *cells]))
    text = dialect.before + "\n".join(lines) + "\n" + dialect.after
    data = text.replace("\n", dialect.newline).encode(dialect.encoding)
    folder.mkdir(parents=True)
    if dialect.packed:
        (folder / "log.csv.gz").write_bytes(gzip.compress(data))
        (folder / "unit.toml").write_text('[clock]\ndate_order = "year-first"\n', encoding="utf-8")
    else:
        (folder / "log.csv").write_bytes(data)


@pytest.fixture(scope="module")
def reports(tmp_path_factory) -> Path:
    root = tmp_path_factory.mktemp("dialects")
    log = simulate(
        MACHINES["slab"],
        days=1.2,
        interval_s=10,
        seed=4,
        start="2026-03-02T06:00:00",
        roles=["evaporator", "current"],
    )
    seconds = (log.time_ns - log.time_ns[0]) // 10**9
    times = [START + timedelta(seconds=int(s)) for s in seconds]
    columns = [np.round(log.channels[r], 2) for r in ("evaporator", "current")]
    for name, dialect in DIALECTS.items():
        _write(root / "logs" / name, name, dialect, times, columns)
    outcome = report(root / "logs", root / "reports", RunOptions(jobs=1))
    assert not outcome.problems
    return root / "reports"


def test_there_are_twelve_dialects():
    assert len(DIALECTS) == 12


@pytest.mark.parametrize("name", sorted(DIALECTS))
def test_a_dialect_gives_the_cycles_of_the_plain_one(reports, name):
    plain = (reports / "iso" / "cycles.csv").read_bytes()
    assert plain.count(b"\n") > 30
    assert (reports / name / "cycles.csv").read_bytes() == plain
    assert (reports / name / "phases.csv").read_bytes() == (reports / "iso" / "phases.csv").read_bytes()
