"""One unit-week at 1 s (604 800 rows x 4 channels): file to findings, and with its page, next to a bare parse.

    python -m tests.bench.unit_week [--rounds 31] [--interval 1]

Everything runs warm in this one process, imports left out. `pyarrow.csv.read_csv` of the same file, the flow with and
without its page alternate; medians and their ratio count. The ratio of processor time is shown too: a bare parse uses
every core, and other work on the machine hardly moves it. Run by hand.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from collections import defaultdict
from pathlib import Path

from pipeline.fleet import threads

# As the command line does, before NumPy is loaded.
os.environ.update(threads.settings(threads.LINEAR_ALGEBRA))

import pyarrow as pa
import pyarrow.csv as pa_csv

from pipeline.cycles import find_cycles
from pipeline.findings.engine import judge
from pipeline.flow import RunOptions, UnitJob, report_unit
from pipeline.logs import UnitFiles, assemble, read_file
from pipeline.unit import Unit
from tests.bench.fleet_logs import write_week


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=31, help="few scatter by a third either way")
    parser.add_argument("--interval", type=int, default=1, help="seconds between rows")
    parser.add_argument("--seed", type=int, default=2, help="which machine: 0-23")
    parser.add_argument(
        "--profile", action="store_true", help="show where the time goes (needs pyinstrument)"
    )
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as work:
        path = Path(work) / "week" / "logger.csv"
        size = write_week(path, seed=arguments.seed, interval_s=arguments.interval)
        print(
            f"{size / 1e6:.1f} MB, {604800 // arguments.interval:,} rows x 4 channels, {pa.cpu_count()} cores"
        )
        if arguments.profile:
            _profile(path, arguments.rounds)
        else:
            _compare(path, Path(work), arguments.rounds)


def _compare(path: Path, work: Path, rounds: int) -> None:
    spent: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for number in range(rounds + 1):
        took = _one_round(path, work)
        if number:  # the first warms up
            for what, seconds in took.items():
                spent[what].append(seconds)
    bare, bare_cpu = (statistics.median(column) for column in zip(*spent[BARE], strict=True))
    print(f"{'':<30} {'seconds':>8} {'x bare':>7} {'processor':>10} {'x bare':>7}")
    for what, seconds in spent.items():
        wall, cpu = (statistics.median(column) for column in zip(*seconds, strict=True))
        print(f"{what:<30} {wall:8.3f} {wall / bare:7.1f} {cpu:10.3f} {cpu / bare_cpu:7.1f}")


BARE = "bare read_csv"


def _one_round(path: Path, work: Path) -> dict[str, tuple[float, float]]:
    """Seconds on the clock and of the processor."""
    took: dict[str, tuple[float, float]] = {}
    started = time.perf_counter(), time.process_time()

    def lap(name: str) -> None:
        nonlocal started
        took[name] = time.perf_counter() - started[0], time.process_time() - started[1]
        started = time.perf_counter(), time.process_time()

    pa_csv.read_csv(path)
    lap(BARE)
    unit = Unit(name="week")
    tables = read_file(path, unit)
    lap("  read")
    timeline = assemble(tables, unit)
    lap("  assemble")
    record = find_cycles(timeline, unit)
    lap("  segment")
    judge(timeline, record, unit)
    lap("  judge")
    parts = [seconds for name, seconds in took.items() if name.startswith(" ")]
    took["file to findings"] = sum(wall for wall, _ in parts), sum(cpu for _, cpu in parts)
    started = time.perf_counter(), time.process_time()
    files = UnitFiles(name="week", files=(path,), toml=None)
    outcome = report_unit(UnitJob(files=files, folder=work / "report", options=RunOptions()))
    lap("file to all outputs, page too")
    if outcome.problems:
        raise SystemExit(outcome.problems[0].message)
    return took


def _profile(path: Path, rounds: int) -> None:
    from pyinstrument import Profiler

    unit = Unit(name="week")
    with Profiler(interval=0.001) as profiler:
        for _ in range(rounds):
            timeline = assemble(read_file(path, unit), unit)
            judge(timeline, find_cycles(timeline, unit), unit)
    print(profiler.output_text(unicode=True))


if __name__ == "__main__":
    main()
