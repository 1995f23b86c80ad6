"""Small logger files with a clear freeze/harvest pattern, written in a moment. Invented readings."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

START = datetime(2026, 5, 4, 8, 0)


def log_text(*, hours: float = 6.0, interval_s: int = 30, freeze_min: float = 20.0, seed: int = 1) -> str:
    """A CSV: cycles of `freeze_min` and a harvest of two minutes, evaporator and current."""
    rng = np.random.default_rng(seed)
    count = int(hours * 3600 / interval_s)
    minute = np.arange(count) * interval_s / 60
    cycle = freeze_min + 2.0
    within = minute % cycle
    freezing = within < freeze_min
    share = within / freeze_min
    evaporator = np.where(
        freezing, 6.0 - 18.0 * np.minimum(share, 1) ** 0.6, -12.0 + 9.0 * (within - freeze_min)
    )
    current = np.where(freezing, 7.5 - 1.5 * np.minimum(share, 1), 5.2)
    evaporator = np.round(evaporator + rng.normal(0, 0.05, count), 2)
    current = np.round(current + rng.normal(0, 0.03, count), 2)
    lines = ["Time,Evaporator (°C),Current (A)"]
    for i in range(count):
        lines.append(
            f"{START + timedelta(seconds=i * interval_s):%Y-%m-%d %H:%M:%S},{evaporator[i]},{current[i]}"
        )
    return "\n".join(lines) + "\n"


def write_log(path: Path, **kind) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(log_text(**kind), encoding="utf-8")
    return path


def write_unit(logs: Path, name: str, *, client: str = "", **kind) -> Path:
    """A unit's folder with one log and, with `client`, a unit.toml that names who gets the report."""
    write_log(logs / name / "probes.csv", seed=sum(name.encode()), **kind)
    if client:
        (logs / name / "unit.toml").write_text(client, encoding="utf-8")
    return logs / name


MACHINE_FILES = ("phases.csv", "cycles.csv", "findings.json", "timeline.parquet")


def machine_files(reports: Path) -> dict[str, bytes]:
    """Every machine file of every unit, by its path under `reports`."""
    return {
        f"{folder.name}/{name}": (folder / name).read_bytes()
        for folder in sorted(reports.iterdir())
        if folder.is_dir() and not folder.name.startswith(".")
        for name in MACHINE_FILES
        if (folder / name).exists()
    }


def leftovers(root: Path) -> list[str]:
    """What a killed process may have left under `root`."""
    making = root / ".store" / "making"
    parts = [p.name for p in root.rglob("*") if p.name.endswith(".part")]
    return parts + ([p.name for p in making.iterdir()] if making.is_dir() else [])
