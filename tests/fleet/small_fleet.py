"""Small folders of logger files, written by the second machine, and the command line as a user calls it."""

from __future__ import annotations

import io
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack, chdir, redirect_stderr, redirect_stdout
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import TypeVar
from unittest.mock import patch

from pipeline.cli import main
from tests.bench.second_machine import Case, make_log, write_csv
from tests.bench.second_story import Plan

ROOT = Path(__file__).parents[2]
_PLACES = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
ENVIRONMENT = {**os.environ, "PYTHONPATH": os.pathsep.join(_PLACES), "PYTHONIOENCODING": "utf-8"}
KINDS = ("slab24", "cube17", "cube33", "slab48")

Found = TypeVar("Found")


def until(found: Callable[[], Found], seconds: float = 300.0) -> Found:
    """What another process brings about, as soon as it is there."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if it := found():
            return it
        time.sleep(0.02)
    raise AssertionError("it did not come to that in time")


def icelogs(*arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """One run of the command line in a process of its own."""
    command = [sys.executable, "-m", "pipeline", *map(str, arguments)]
    return subprocess.run(
        command, cwd=cwd, env=ENVIRONMENT, capture_output=True, text=True, encoding="utf-8", timeout=600
    )


def icelogs_here(*arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """One run of the command line in this process: its status and what it shows, without the seconds that a process takes to start."""
    shown, said = io.StringIO(), io.StringIO()
    with ExitStack() as around:
        for held in (redirect_stdout(shown), redirect_stderr(said), patch.dict(os.environ)):
            around.enter_context(held)
        if cwd is not None:
            around.enter_context(chdir(cwd))
        try:
            status = main([*map(str, arguments)])
        except SystemExit as ended:  # by argparse
            status = ended.code
    return subprocess.CompletedProcess(arguments, status, shown.getvalue(), said.getvalue())


def start_icelogs(*arguments: str | Path) -> subprocess.Popen[str]:
    """A run that is still going on."""
    command = [sys.executable, "-m", "pipeline", *map(str, arguments)]
    return subprocess.Popen(
        command,
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        start_new_session=True,  # a group of its own, as a shell gives each command
        # Tests that were themselves started in the background would hand on that Ctrl-C is ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )


@cache
def _csv(kind: str, scenario: str, hours: float, interval_s: float, cache_in: Path) -> Path:
    folder = cache_in / f"{kind}-{scenario}-{hours:g}-{interval_s:g}"
    case = Case(
        seed=11,
        kind=kind,
        hours=hours,
        interval_s=interval_s,
        channels=("suction", "current"),
        plan=Plan(scenario=scenario),
    )
    return write_csv(make_log(case), folder)[0]


def add_unit(
    logs: Path,
    name: str,
    *,
    cache_in: Path,
    kind: str = "slab24",
    scenario: str = "steady",
    hours: float = 8.0,
    interval_s: float = 20.0,
) -> Path:
    """Put the log of one machine into `logs`/`name`."""
    path = logs / name / "probes.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(_csv(kind, scenario, hours, interval_s, cache_in), path)
    return path


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below `folder` but the store's, by its path there; histories without the moment of the report, pages without its day:
    midnight may fall between two reports that are compared."""
    return {
        path.relative_to(folder).as_posix(): _undated(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".store" not in path.parts
    }


def _undated(path: Path) -> bytes:
    if path.suffix == ".html":
        page = path.read_bytes()
        for ago in range(-1, 3):
            day = date.today() - timedelta(days=ago)
            page = page.replace(f"{day.day} {day:%b} {day.year}".encode(), b"that day")
        return page
    if path.name != "history.csv":
        return path.read_bytes()
    return b"\n".join(line.partition(b",")[2] for line in path.read_bytes().splitlines())
