"""One unit of a year at 1 s, and one of thousands of files, through the real command: peak memory, seconds, the page's weight.

    python -m tests.bench.large [--days 365] [--files 2000 20000]

Limits: 1.2 GB for the year (825 MB of CSV) and 3 MB for its page; seconds that grow with the number of files, not with its square.
Linux: a report of one unit is one process, whose peak of resident memory the system keeps (`ru_maxrss`).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

START = np.datetime64("2025-01-01T00:00:00")


def suction(first: int, count: int, step_s: int, rng: np.random.Generator) -> tuple[list[str], list[str]]:
    """(times, °C) of `count` readings from the `first` on, of an invented machine whose cycle of 25 minutes breathes with the seasons."""
    second = (first + np.arange(count)) * step_s
    period = 1500 + 60 * np.sin(second / 86400 * 2 * np.pi / 30)
    phase = (second % period) / period
    values = np.where(
        phase < 0.88, 4 - 20 * np.minimum(phase / 0.88, 1) ** 0.6, -14 + 200 * (phase - 0.88)
    ) + rng.normal(0, 0.1, count)
    times = np.datetime_as_string(START + second.astype("m8[s]")).tolist()
    return [t.replace("T", " ") for t in times], [f"{v:.2f}" for v in values]


def write_year(folder: Path, days: int) -> int:
    """One file of `days` at 1 s; its bytes."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(3)
    with (folder / "suction.csv").open("w", encoding="utf-8") as file:
        file.write("Time,Suction (°C)\n")
        for day in range(days):
            file.writelines(f"{t},{v}\n" for t, v in zip(*suction(day * 86400, 86400, 1, rng), strict=True))
    return (folder / "suction.csv").stat().st_size


def write_files(folder: Path, count: int, rows: int = 30) -> None:
    """`count` files of `rows` readings at 10 s that follow each other."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(2)
    for number in range(count):
        lines = [f"{t},{v}\n" for t, v in zip(*suction(number * rows, rows, 10, rng), strict=True)]
        text = "".join(("Time,Suction (°C)\n", *lines))
        (folder / f"log{number:05d}.csv").write_text(text, encoding="utf-8")


def run(logs: Path, reports: Path) -> tuple[float, float]:
    """(seconds, peak of resident memory [MB]) of `report`. Raises CalledProcessError."""
    command = [sys.executable, "-m", "pipeline", "report", str(logs), "--to", str(reports)]
    started = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _pid, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    return time.perf_counter() - started, usage.ru_maxrss * 1024 / 1e6


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--days", type=int, default=365)
    arguments.add_argument("--files", type=int, nargs="*", default=[2000, 20_000])
    options = arguments.parse_args()
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        if options.days:
            size = write_year(home / "year" / "bar", options.days)
            seconds, peak_mb = run(home / "year", home / "year-reports")
            page = (home / "year-reports" / "bar" / "report.html").stat().st_size
            print(
                f"{options.days} days at 1 s, {size / 1e6:.0f} MB: {seconds:.0f} s, peak {peak_mb:.0f} MB, page {page / 1e6:.2f} MB"
            )
        for count in options.files:
            write_files(home / f"{count}" / "bar", count)
            seconds, peak_mb = run(home / f"{count}", home / f"{count}-reports")
            again, _peak = run(home / f"{count}", home / f"{count}-reports")
            print(
                f"{count} files: {seconds:.1f} s, {1e3 * seconds / count:.1f} ms each, peak {peak_mb:.0f} MB; again {again:.1f} s"
            )


if __name__ == "__main__":
    main()
