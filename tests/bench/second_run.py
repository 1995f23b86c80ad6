"""What a second `report` over an unchanged fleet costs, and one after a single file was added.

    python -m tests.bench.second_run --units 100

By hand, on a machine that does nothing else. Ratios within one run.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.fleet_logs import write_fleet, write_week
from tests.store.scene import machine_files


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--units", type=int, default=100)
    parser.add_argument("--interval", type=int, default=10, help="of the logs [s]")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        logs, reports = Path(name) / "logs", Path(name) / "reports"
        size = write_fleet(logs, units=options.units, interval_s=options.interval)
        time.sleep(3.0)  # a file changed less than 2 s before it is looked at is opened again the next time
        first = timed(logs, reports)
        before = stamps(reports)
        second = timed(logs, reports)
        unchanged = stamps(reports) == before
        store = sum(path.stat().st_size for path in (reports / ".store").rglob("*") if path.is_file())
        write_week(logs / "unit-0000" / "second.csv", seed=999, interval_s=options.interval)
        third = timed(logs, reports)
        anew = sum(
            stamp != before.get(path)
            for path, stamp in stamps(reports).items()
            if path.endswith("report.html")
        )
        units = len({path.partition("/")[0] for path in machine_files(reports)})
    print(
        f"{options.units} unit-weeks at {options.interval} s ({size / 1e6:.0f} MB, {units} reported): first {first:.1f} s; "
        f"second {second:.2f} s, that is {second / first:.1%} of it; nothing written: {unchanged}; after one file more "
        f"{third:.1f} s, units reported anew: {anew}; store {store / 1e6:.0f} MB"
    )
    return 0 if unchanged and anew == 1 and second < 0.05 * first else 1


def timed(logs: Path, reports: Path) -> float:
    """Seconds by the wall clock."""
    started = time.perf_counter()
    command = [sys.executable, "-m", "pipeline", "report", str(logs), "--to", str(reports), "--quiet"]
    subprocess.run(command, check=True)
    return time.perf_counter() - started


def stamps(reports: Path) -> dict[str, int]:
    """When each file of each unit was last written."""
    files = (path for path in reports.glob("*/*") if path.is_file() and ".store" not in path.parts)
    return {path.relative_to(reports).as_posix(): path.stat().st_mtime_ns for path in files}


if __name__ == "__main__":
    sys.exit(main())
