"""Exercises: logs of invented machines to practise on, without a word of what is the matter, and a sealed sheet of answers.

The sheet is packed, so that nobody reads it by accident and no search finds it; `open_sheet` puts the truth beside the logs.
"""

from __future__ import annotations

import base64
import json
import textwrap
import zlib
from pathlib import Path

import numpy as np

from pipeline.demo.dialects import LoggerFormat
from pipeline.demo.faults import KINDS, Fault
from pipeline.demo.machine import MACHINES, Site
from pipeline.demo.scenario import DemoUnit, Logger, Progress, empty_folder, unit_files
from pipeline.errors import LogFileError, UsageError

SHEET = "answers.sealed"
UNITS, HEALTHY = 6, 2
DAYS, INTERVAL_S = 2.5, 5  # slower, a failed start could not be seen
_FIRST_LINE = (
    "The answers to exercise {number}, sealed. When you have found your own: icelogs demo DIR --answers"
)
_FAULTS = (
    "stalled-harvest", "slow-harvest", "water-leak", "dirty-condenser", "low-charge", "thin-slabs", "scale", "valve-hunts",
    "timer-ends-freeze", "high-pressure-trips", "trip-in-freeze", "failed-start", "probe-loose", "cooling-fails",
)  # fmt: skip
_LABELS = {
    "evaporator": "Evaporator (°C)",
    "suction": "Suction line (°C)",
    "discharge": "Discharge line (°C)",
    "condenser_in": "Condenser in (°C)",
    "condenser_out": "Condenser out (°C)",
    "current": "Unit current (A)",
}


def write_exercise(folder: Path, number: int, *, progress: Progress | None = None) -> list[Path]:
    """Write the logs of exercise `number` and the sealed sheet into `folder`; the files written. The same each time.

    Raises UsageError where the folder holds anything.
    """
    empty_folder(folder)
    answers: dict[str, str] = {}
    written = []
    for unit in exercise_units(number):
        if progress is not None:
            progress(unit.name)
        for path, data in unit_files(unit).items():
            if path.endswith("truth.json"):
                answers[path] = data.decode()
                continue
            written.append(folder / path)
            written[-1].parent.mkdir(exist_ok=True)
            written[-1].write_bytes(data)
    packed = base64.b64encode(zlib.compress(json.dumps(answers).encode(), 9)).decode()
    sheet = folder / SHEET
    lines = [_FIRST_LINE.format(number=number), *textwrap.wrap(packed, 76)]
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
    return [*written, sheet]


def open_sheet(folder: Path) -> dict[str, str]:
    """Unit -> what was the matter with it; the truth of each is put beside its logs as `truth.json`.

    Raises UsageError where no exercise lies in `folder`, LogFileError where its sheet is damaged.
    """
    sheet = folder / SHEET
    if not sheet.is_file():
        raise UsageError(
            f'there is no exercise in "{folder.name}"', remedy="make one: icelogs demo DIR --exercise 1"
        )
    try:
        packed = "".join(sheet.read_text(encoding="utf-8").splitlines()[1:])
        answers = json.loads(zlib.decompress(base64.b64decode(packed, validate=True)))
        stories = {name.partition("/")[0]: json.loads(text)["story"] for name, text in answers.items()}
    except (ValueError, zlib.error, KeyError, TypeError, AttributeError) as error:
        raise LogFileError(
            "the sheet is damaged", file=SHEET, remedy="make the exercise again in another folder"
        ) from error
    for unit, text in zip(stories, answers.values(), strict=True):
        if (folder / unit).is_dir() and Path(unit).name == unit:
            (folder / unit / "truth.json").write_text(text, encoding="utf-8", newline="\n")
    return stories


def exercise_units(number: int) -> list[DemoUnit]:
    """The machines of exercise `number`: UNITS of them, HEALTHY without a fault, each of the others with another one."""
    rng = np.random.default_rng([number, 77])
    faults = [*rng.choice(_FAULTS, UNITS - HEALTHY, replace=False), *([""] * HEALTHY)]
    return [_unit(n + 1, str(fault), number, rng) for n, fault in enumerate(rng.permutation(faults))]


def _unit(n: int, fault: str, number: int, rng: np.random.Generator) -> DemoUnit:
    machine = MACHINES[str(rng.choice([name for name in MACHINES if name != "cube-slow"]))]
    from_day = round(float(rng.uniform(0.3, 1.2)), 1)
    more = rng.permutation(["suction", "discharge", "condenser"])[: int(rng.integers(1, 4))]
    roles = ["evaporator", "current", *(r for r in _LABELS if any(r.startswith(m) for m in more))]
    story = f"From day {from_day:g}: {KINDS[fault].does}." if fault else "In good order."
    daily_kg = 0.8 * machine.slab_kg * 86_400 / (1.25 * machine.usual_freeze_s)
    return DemoUnit(
        name=f"machine-{n}",
        story=story,
        machine=machine,
        site=Site(
            ambient_c=float(rng.uniform(20, 30)), water_c=float(rng.uniform(14, 22)), use_kg_per_day=daily_kg
        ),
        days=DAYS,
        seed=1000 * number + n,
        start=f"2026-06-{1 + n:02d}T08:00:00",
        faults=(Fault(kind=fault, from_day=from_day),) if fault else (),
        loggers=(
            Logger(
                file="logger.csv",
                interval_s=INTERVAL_S,
                dialect=LoggerFormat(labels={role: _LABELS[role] for role in _LABELS if role in roles}),
            ),
        ),
    )
