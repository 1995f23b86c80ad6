"""A fleet from files to all outputs: seconds, rows a second, memory, the share of each room; and what two jobs gain.

    python -m tests.bench.fleet                        1, 10 and 100 unit-weeks at 10 s
    python -m tests.bench.fleet --units 1 10 100 1000  the memory of the parent must stay flat from 100 to 1 000
    python -m tests.bench.fleet --gain                 200 unit-weeks: next to pyarrow.csv.read_csv, and 1 against 2 jobs

Run by hand on a machine that does nothing else. Ratios are taken within one run: each alternates with what it is held
against, and the median counts.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import psutil
import pyarrow.csv as pa_csv

from pipeline.fleet import threads
from tests.bench.fleet_logs import write_fleet

ROOMS = ("read", "segment", "judge", "report")

_CHILD = """
import json, sys
from pathlib import Path
from pipeline.report.options import ReportOptions
from pipeline.fleet.run import RunOptions, report

logs, reports, jobs, cluster = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
outcome = report(logs, reports, RunOptions(report=ReportOptions(), jobs=jobs, cluster=cluster))
rooms = {}
for unit in outcome.units:
    for room, seconds in unit.seconds.items():
        rooms[room] = rooms.get(room, 0.0) + seconds
print(json.dumps({"rows": sum(u.rows for u in outcome.units), "rooms": rooms, "problems": len(outcome.problems)}))
"""


@dataclass(frozen=True, kw_only=True)
class Run:
    """One run in a process of its own, start to end, imports and all."""

    seconds: float
    processor_s: float  # of all processes together
    rows: int
    rooms: dict[str, float]  # seconds of all workers together
    parent_mb: float  # peak resident memory of the parent
    worker_mb: float  # the largest of any worker
    whole_mb: float  # peak of all processes together, pages that they share counted once


def run(logs: Path, reports: Path, *, jobs: int, cluster: str = "") -> Run:
    """Report `logs` from nothing, and look at memory and processor meanwhile."""
    started, child = _start(logs, reports, jobs, cluster)
    watch = _Watch(child.pid)
    told = _told(child)
    seconds = time.perf_counter() - started
    watch.stop()
    return Run(
        seconds=seconds,
        processor_s=sum(watch.used.values()),
        rows=told["rows"],
        rooms=told["rooms"],
        parent_mb=watch.parent / 1e6,
        worker_mb=watch.worker / 1e6,
        whole_mb=watch.whole / 1e6,
    )


def seconds_of(logs: Path, reports: Path, *, jobs: int) -> float:
    """Seconds to report `logs` from nothing, with nobody looking: looking takes a core's time and holds up workers."""
    started, child = _start(logs, reports, jobs, "")
    _told(child)
    return time.perf_counter() - started


def _start(logs: Path, reports: Path, jobs: int, cluster: str) -> tuple[float, subprocess.Popen[str]]:
    shutil.rmtree(reports, ignore_errors=True)
    started = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(logs), str(reports), str(jobs), cluster],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, **threads.settings(threads.LINEAR_ALGEBRA)},  # as the command line does
    )
    return started, child


def _told(child: subprocess.Popen[str]) -> dict:
    told = json.loads(child.communicate()[0])
    if told["problems"]:
        raise SystemExit(f"{told['problems']} problems: the figures would mean nothing")
    return told


class _Watch:
    """Looks again and again at what a process and those that it started hold and have used."""

    def __init__(self, pid: int) -> None:
        self.process = psutil.Process(pid)
        self.parent = self.worker = self.whole = 0
        self.used: dict[int, float] = {}  # process -> processor seconds when last seen
        self.ended = threading.Event()
        self.thread = threading.Thread(target=self._watch, daemon=True)
        self.thread.start()

    def _watch(self) -> None:
        looks = 0
        while not self.ended.wait(1.0):
            try:
                family = [self.process, *self.process.children(recursive=True)]
                held = [process.memory_info().rss for process in family]
                self.parent = max(self.parent, held[0])
                self.worker = max([self.worker, *held[1:]])
                for process in family:
                    times = process.cpu_times()
                    self.used[process.pid] = times.user + times.system
                if looks % 5 == 0:  # this look is a dear one
                    self.whole = max(self.whole, sum(map(self._proportional, family)))
            except psutil.Error:  # one ended between two looks
                continue
            looks += 1

    @staticmethod
    def _proportional(process: psutil.Process) -> int:
        about = process.memory_full_info()
        return getattr(about, "pss", about.uss)

    def stop(self) -> None:
        self.ended.set()
        self.thread.join()


def bare_parse(logs: Path) -> float:
    """Seconds to merely parse the same bytes, one file after the other, on one core like one job."""
    options = pa_csv.ReadOptions(use_threads=False)
    started = time.perf_counter()
    for path in sorted(logs.glob("*/*.csv")):
        pa_csv.read_csv(path, read_options=options)
    return time.perf_counter() - started


def by_size(sizes: list[int], jobs: int, work: Path, cluster: str) -> None:
    print(
        f"unit-weeks at 10 s, 60 480 rows x 4 channels each; {jobs} jobs{f' on cluster {cluster}' if cluster else ''}"
    )
    print(
        f"{'units':>6} {'seconds':>9} {'rows/s':>10} {'s/unit':>8} {'cpu/unit':>9} {'parent':>9} {'worker':>9} {'all':>9}   share of each room"
    )
    for units in sizes:
        logs = work / f"logs-{units}"
        write_fleet(logs, units=units)
        got = run(logs, work / "reports", jobs=jobs, cluster=cluster)
        spent = Counter(got.rooms)
        shares = ", ".join(f"{room} {spent[room] / spent.total():.0%}" for room in ROOMS)
        memory = " ".join(f"{mb:>6.0f} MB" for mb in (got.parent_mb, got.worker_mb, got.whole_mb))
        print(
            f"{units:>6} {got.seconds:>9.1f} {got.rows / got.seconds:>10,.0f} {got.seconds / units:>8.3f} {got.processor_s / units:>9.3f} {memory}   {shares}",
            flush=True,
        )
        shutil.rmtree(logs)


def gain(units: int, rounds: int, work: Path) -> None:
    logs = work / "logs"
    size = write_fleet(logs, units=units)
    print(f"{units} unit-weeks at 10 s, {size / 1e6:,.0f} MB of CSV, files to all outputs; {rounds} rounds")
    spent: dict[str, list[float]] = {"bare read_csv": [], "one job": [], "two jobs": []}
    for _ in range(rounds):
        for jobs, name in ((1, "one job"), (2, "two jobs")):
            spent["bare read_csv"].append(bare_parse(logs))
            spent[name].append(seconds_of(logs, work / "reports", jobs=jobs))
            print(f"  {name} {spent[name][-1]:.1f} s", flush=True)
    middle = {name: statistics.median(times) for name, times in spent.items()}
    for name, seconds in middle.items():
        print(f"{name:<14} {seconds:7.2f} s: {seconds / middle['bare read_csv']:.1f} times the bare parse")
    print(f"speed-up from one job to two: {middle['one job'] / middle['two jobs']:.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--units", type=int, nargs="+", default=[1, 10, 100])
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--cluster", default="", help='"local" or the address of a scheduler')
    parser.add_argument("--gain", type=int, nargs="?", const=200, metavar="UNITS")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument(
        "--work", type=Path, help="a folder with room for the files (default: the temporary folder)"
    )
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=arguments.work) as work:
        if arguments.gain:
            gain(arguments.gain, arguments.rounds, Path(work))
        else:
            by_size(arguments.units, arguments.jobs, Path(work), arguments.cluster)


if __name__ == "__main__":
    main()
