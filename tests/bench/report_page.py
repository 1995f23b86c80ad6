"""What the report room takes to write a unit, what its page weighs, and how soon its charts stand in Chromium. By hand:

    python -m tests.bench.report_page

Ratios are within one run, against pyarrow writing the same channels as Parquet, so that they mean the same on every
machine. Seconds in the browser are wall time from the start of navigation, on a browser that is already up.
"""

from __future__ import annotations

import os
import random
import shutil
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from pipeline.report.fleet import write_fleet
from pipeline.report.machine_files import cycles_csv, findings_json, phases_csv, write_timeline
from pipeline.report.numbers.whole import numbers_of
from pipeline.report.options import ReportOptions
from pipeline.report.summary import LEVELS
from pipeline.report.wording import Reader
from pipeline.report.writing import write_unit
from tests.report.made_up import made_up
from tests.report.test_summary import summary_of

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

CASES = {
    "a week at 1 s, 4 channels": (7, 1, FEW),
    "a month at 1 s, 8 channels": (30, 1, ALL),
    "a week at 10 s, 4 channels": (7, 10, FEW),
    "a week at 10 s, 8 channels": (7, 10, ALL),
    "a week at 30 s, 4 channels": (7, 30, FEW),
}


def main() -> None:
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as folder:
        browser = playwright.chromium.launch(
            executable_path=os.environ.get("CHROMIUM") or shutil.which("chromium"), args=["--no-sandbox"]
        )
        for number, (name, case) in enumerate(CASES.items()):
            one_page(Path(folder) / str(number), name, *case, browser)
        fleet(Path(folder) / "fleet", browser)
        browser.close()


def one_page(
    folder: Path, name: str, days: float, interval_s: float, roles: tuple[str, ...], browser: Browser
) -> None:
    unit, timeline, record, judgement = made_up(days=days, interval_s=interval_s, roles=roles)
    folder.mkdir()
    seconds, processor = [], []
    for _ in range(10):
        begun, used = time.perf_counter(), time.process_time()
        write_unit(
            folder,
            unit=unit,
            timeline=timeline,
            record=record,
            judgement=judgement,
            problems=[],
            options=ReportOptions(),
        )
        seconds.append(time.perf_counter() - begun)
        processor.append(time.process_time() - used)
    begun = time.perf_counter()
    write_timeline(folder / "again.parquet", timeline)
    parquet = time.perf_counter() - begun
    offsets = numbers_of(unit, timeline, record, judgement).offsets
    files = []
    for _ in range(10):
        used = time.process_time()
        write_timeline(folder / "again.parquet", timeline)
        phases_csv(record, offsets)
        cycles_csv(record, judgement, offsets)
        findings_json(timeline, judgement, offsets, Reader())
        files.append(time.process_time() - used)
    page = folder / "report.html"
    first, drawn = (min(times) for times in zip(*(opened(page, browser) for _ in range(3)), strict=True))
    print(
        f"{name}: first {seconds[0]:.2f} s, then {min(seconds[1:]):.2f} s ({min(seconds[1:]) / parquet:.1f} × its Parquet); "
        f"{min(processor):.3f} s of processor, {min(processor) - min(files):.3f} s of it both pages; "
        f"page {page.stat().st_size / 1e6:.2f} MB, first chart after {first:.2f} s, all after {drawn:.2f} s"
    )


def fleet(folder: Path, browser: Browser) -> None:
    """A fleet page of 500 units."""
    folder.mkdir()
    chance, base = random.Random(1), (summary_of(), summary_of(well=True))
    units = [
        replace(
            base[n % 2],
            unit=f"unit-{n}",
            title=f"Deck {n}",
            level=LEVELS[n % len(LEVELS)],
            trace=tuple(chance.uniform(10, 40) for _ in range(96)),
        )
        for n in range(500)
    ]
    write_fleet(folder, units, [], ReportOptions())
    page = folder / "index.html"
    _, drawn = (min(times) for times in zip(*(opened(page, browser) for _ in range(3)), strict=True))
    print(f"a fleet of 500: page {page.stat().st_size / 1e6:.2f} MB, ready after {drawn:.2f} s")


def opened(page: Path, browser: Browser) -> tuple[float, float]:
    """Seconds until the first chart, and all of them, stand there; a page without charts has only the second."""
    tab = browser.new_page()
    tab.goto(page.as_uri())
    while not tab.evaluate("document.documentElement.dataset.drawn"):
        tab.wait_for_timeout(20)
    times = tab.evaluate("({...document.documentElement.dataset})")
    tab.close()
    return int(times.get("firstChart", 0)) / 1000, int(times["drawn"]) / 1000


if __name__ == "__main__":
    main()
