"""How fast logs are read, beside a bare `pyarrow.csv.read_csv` of the same file, both warm, in one run.

    python -m tests.bench.reading [--days 7] [--repeats 9] [--only PART]

The bare read gets the native timestamp parser of the format where it has one; else it reads the times as text. Ours is
`read_file` and `assemble`: to UTC, house units, roles, trust. The two take turns, and the best turn of each counts, so that
a busy machine slows both alike; the ratio of processor time beside it hardly feels other work.
Limits: 1.5 times on the plain file, 4 times on the worst dialect, peak memory 5 times the columns' bytes.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from pipeline.logs import assemble, read_file
from pipeline.unit import Unit

START = np.datetime64("2026-05-04T00:00:00")
LABELS = ("Evaporator (°C)", "Discharge line (°C)", "Condenser air in (°C)", "Unit current (A)")


def week(days: float) -> tuple[np.ndarray, list[np.ndarray]]:
    """(times, four channels) of an invented machine that cycles every 20 minutes, a reading a second."""
    n = round(days * 86400)
    rng = np.random.default_rng(7)
    second = np.arange(n)
    phase = (second % 1200) / 1200
    evaporator = np.where(phase < 0.9, 4 - 20 * phase**0.6, -14 + 240 * (phase - 0.9)) + rng.normal(0, 0.1, n)
    discharge = np.where(phase < 0.9, 62 + 8 * phase, 60.0) + rng.normal(0, 0.2, n)
    room = 24 + 4 * np.sin(second / 86400 * 2 * np.pi) + rng.normal(0, 0.1, n)
    current = np.where(phase < 0.9, 8.0 - phase, 6.2) + rng.normal(0, 0.04, n)
    return START + second.astype("m8[s]"), [evaporator, discharge, room, current]


@dataclass(frozen=True, kw_only=True)
class Format:
    """One way to write the same log."""

    name: str
    stamp: Callable[[np.ndarray], list[str]]
    delimiter: str = ","
    decimal: str = "."
    quote: str = ""
    encoding: str = "utf-8"
    header: str = "Time"
    native: str | None = None  # strptime pattern that the bare parser takes; None: it reads text (or numbers)
    spoil: Callable[[list[str]], list[str]] = field(default=lambda rows: rows)
    limit: float = 4.0


def _iso(times: np.ndarray) -> list[str]:
    return np.datetime_as_string(times).tolist()


def _us(times: np.ndarray) -> list[str]:
    days = np.datetime_as_string(times, unit="D")
    hours = (times - times.astype("M8[D]")).astype("m8[s]").astype(int)
    out = []
    for day, s in zip(days.tolist(), hours.tolist(), strict=True):
        h = s // 3600
        out.append(
            f"{int(day[5:7])}/{int(day[8:])}/{day[:4]} {h % 12 or 12}:{s // 60 % 60:02d}:{s % 60:02d} {'PM' if h > 11 else 'AM'}"
        )
    return out


def _day_first(times: np.ndarray, between: str = " ", mark: str = "/") -> list[str]:
    return [f"{t[8:10]}{mark}{t[5:7]}{mark}{t[:4]}{between}{t[11:]}" for t in _iso(times)]


def _serial(times: np.ndarray) -> list[str]:
    days = (times - np.datetime64("1899-12-30")).astype("m8[s]").astype(int) / 86400
    return [f"{d:.8f}" for d in days.tolist()]


def _with_words(rows: list[str]) -> list[str]:
    """An open probe in one row of fifty."""
    return [
        ",".join([*r.split(",")[:1], "OL", *r.split(",")[2:]]) if i % 50 == 7 else r
        for i, r in enumerate(rows)
    ]


def _with_headers(rows: list[str]) -> list[str]:
    """Files joined by hand: the header again every day."""
    header = ",".join(("Time", *LABELS))
    return [line for i, r in enumerate(rows) for line in ((header, r) if i % 86400 == 86399 else (r,))]


FORMATS = (
    Format(name="plain", stamp=_iso, native="iso", limit=1.5),
    Format(name="iso with fractions", stamp=lambda t: [f"{x}.250" for x in _iso(t)], native="iso"),
    Format(name="iso with offset", stamp=lambda t: [f"{x}+02:00" for x in _iso(t)], native="iso"),
    Format(name="day-first", stamp=_day_first, native="%d/%m/%Y %H:%M:%S"),
    Format(
        name="decimal comma",
        stamp=lambda t: _day_first(t, mark="."),
        delimiter=";",
        decimal=",",
        native="%d.%m.%Y %H:%M:%S",
    ),
    Format(name="am/pm", stamp=_us, native="%m/%d/%Y %I:%M:%S %p"),
    Format(name="fractions day-first", stamp=lambda t: [f"{x}.250" for x in _day_first(t)]),
    Format(name="date and time apart", stamp=lambda t: _day_first(t, between=","), header="Date,Time"),
    Format(name="quoted", stamp=_iso, quote='"', native="iso"),
    Format(name="utf-16", stamp=_iso, delimiter="\t", encoding="utf-16", native="iso"),
    Format(
        name="epoch ms",
        stamp=lambda t: (t.astype("M8[ms]").astype(np.int64)).astype(str).tolist(),
        native="none",
    ),
    Format(name="serial days", stamp=_serial, native="none"),
    Format(name="error words", stamp=_iso, spoil=_with_words, native="iso"),
    Format(name="headers repeated", stamp=_iso, spoil=_with_headers),
)


def write(form: Format, times: np.ndarray, channels: list[np.ndarray], folder: Path) -> Path:
    q, d = form.quote, form.delimiter
    cells = [[f"{q}{x:.2f}{q}".replace(".", form.decimal) for x in c.tolist()] for c in channels]
    stamps = [f"{q}{s}{q}" for s in form.stamp(times)]
    rows = form.spoil([d.join(r) for r in zip(stamps, *cells, strict=True)])
    header = d.join(f"{q}{h}{q}" for h in (*form.header.split(","), *LABELS))
    path = folder / f"{form.name.replace('/', '-').replace(' ', '-')}.csv"
    path.write_bytes(("\n".join([header, *rows]) + "\n").encode(form.encoding))
    return path


def bare(path: Path, form: Format) -> Callable[[], object]:
    parsers = (
        [pacsv.ISO8601]
        if form.native == "iso"
        else [form.native]
        if form.native not in (None, "none")
        else []
    )
    return lambda: pacsv.read_csv(
        path,
        read_options=pacsv.ReadOptions(encoding="utf16" if form.encoding == "utf-16" else "utf8"),
        parse_options=pacsv.ParseOptions(delimiter=form.delimiter),
        convert_options=pacsv.ConvertOptions(decimal_point=form.decimal, timestamp_parsers=parsers),
    )


def _peak_mb(path: Path) -> float:
    """Peak memory of reading the file, in a process of its own, over what it holds after a small file [MB]."""
    code = (
        "import sys\nfrom pathlib import Path\nfrom pipeline.logs import assemble, read_file\n"
        "from pipeline.unit import Unit\nunit = Unit(name='u')\n"
        "def kb(key): return int(Path('/proc/self/status').read_text().split(key + ':')[1].split()[0])\n"
        "assemble(read_file(Path(sys.argv[1]), unit), unit)\n"
        "Path('/proc/self/clear_refs').write_text('5')\nbefore = kb('VmRSS')\n"
        "kept = assemble(read_file(Path(sys.argv[2]), unit), unit)\nprint((kb('VmHWM') - before) / 1024)"
    )
    small = path.with_name("small.csv")
    small.write_text(
        "Time,Evaporator (°C)\n" + "".join(f"2026-05-04 00:00:{s:02d},1.5\n" for s in range(60)),
        encoding="utf-8",
    )
    command = [sys.executable, "-c", code, str(small), str(path)]
    return float(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def measure(form: Format, path: Path, repeats: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """((bare, ours) on the clock, (bare, ours) of the processor): the best of `repeats` turns [s]."""
    unit, plain = Unit(name="bench"), bare(path, form)
    clock, processor = [float("inf")] * 2, [float("inf")] * 2
    for _ in range(repeats + 1):  # the first turn warms both
        for k, run in enumerate((plain, lambda: assemble(read_file(path, unit), unit))):
            start, spent = time.perf_counter(), time.process_time()
            run()
            clock[k] = min(clock[k], time.perf_counter() - start)
            processor[k] = min(processor[k], time.process_time() - spent)
    return (clock[0], clock[1]), (processor[0], processor[1])


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--days", type=float, default=7.0)
    arguments.add_argument("--repeats", type=int, default=15)
    arguments.add_argument("--only", default="")
    options = arguments.parse_args()
    times, channels = week(options.days)
    columns_mb = 8 * len(times) * (1 + len(channels)) / 1024**2
    print(
        f"{len(times)} rows × {len(channels)} channels, {columns_mb:.1f} MB as columns; {pa.cpu_count()} threads, "
        f"load {os.getloadavg()[0]:.1f}"
    )
    print(
        f"{'format':22} {'MB':>6} {'bare ms':>8} {'ours ms':>8} {'MB/s':>6} {'ratio':>6} {'limit':>6} {'of processor':>13} "
        f"{'peak/columns':>13}"
    )
    with tempfile.TemporaryDirectory() as folder:
        for form in FORMATS:
            if options.only not in form.name:
                continue
            path = write(form, times, channels, Path(folder))
            size = path.stat().st_size / 1024**2
            (plain, ours), (plain_cpu, ours_cpu) = measure(form, path, options.repeats)
            peak = _peak_mb(path) / columns_mb
            print(
                f"{form.name:22} {size:6.1f} {1e3 * plain:8.1f} {1e3 * ours:8.1f} {size / ours:6.0f} {ours / plain:6.2f} "
                f"{form.limit:6.1f} {ours_cpu / plain_cpu:13.2f} {peak:13.2f}",
                flush=True,
            )
            path.unlink()


if __name__ == "__main__":
    main()
