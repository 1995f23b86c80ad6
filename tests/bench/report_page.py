"""What the report room takes to write a unit, and what its page weighs. Run by hand:

    python -m tests.bench.report_page

Ratios are within one run, against pyarrow writing the same channels as Parquet, so that they mean the same on every machine.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from pipeline.report import ReportOptions, write_unit
from pipeline.report.machine_files import write_timeline
from tests.report.made_up import made_up

FEW = ("evaporator", "discharge", "condenser_in", "current")
ALL = (
    "evaporator",
    "suction",
    "discharge",
    "condenser_in",
    "condenser_out",
    "ambient",
    "water_in",
    "current",
)


def main() -> None:
    cases = {
        "a week at 1 s, 4 channels": (7, 1, FEW),
        "a month at 1 s, 8 channels": (30, 1, ALL),
        "a week at 30 s, 4 channels": (7, 30, FEW),
    }
    for name, (days, interval_s, roles) in cases.items():
        unit, timeline, record, judgement = made_up(days=days, interval_s=interval_s, roles=roles)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder)
            seconds = []
            for _ in range(3):
                begun = time.perf_counter()
                write_unit(
                    path,
                    unit=unit,
                    timeline=timeline,
                    record=record,
                    judgement=judgement,
                    problems=[],
                    options=ReportOptions(),
                )
                seconds.append(time.perf_counter() - begun)
            begun = time.perf_counter()
            write_timeline(path / "again.parquet", timeline)
            parquet = time.perf_counter() - begun
            size = (path / "report.html").stat().st_size
        print(
            f"{name}: first {seconds[0]:.2f} s, then {min(seconds[1:]):.2f} s ({min(seconds[1:]) / parquet:.1f} × its Parquet); page {size / 1e6:.2f} MB"
        )


if __name__ == "__main__":
    main()
