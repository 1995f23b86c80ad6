"""What a unit of the demo is, and its files: those of its loggers, with the truth beside them. `write_demo` writes all."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from pipeline.demo.dialects import LoggerFormat, csv_bytes, gzipped
from pipeline.demo.faults import Fault
from pipeline.demo.machine import Machine, Site
from pipeline.demo.probes import Probe
from pipeline.demo.simulator import NS, World, record, run_world
from pipeline.errors import UsageError

Progress = Callable[[str], None]  # a line for the person who waits

README = """# Sample logs

Everything here is invented: the Tidewhistle houses are no real venues, the machines are no maker's, and the readings
come from the simulator in `pipeline/demo`. `icelogs demo FOLDER` writes the same files again.

One sub-folder a unit; `quay-kiosk` lies loose, its files joined by what stands before the double underscore. The loggers
differ on purpose: 1 s to 60 s, °C and °F, one or two a unit, and each writes its CSV in another way.

`truth.json` (`quay-kiosk.truth.json`) holds what the simulated machine really did. The reader of logs takes no notice of it.

| unit | what is the matter |
| --- | --- |
{rows}
"""


@dataclass(frozen=True, kw_only=True)
class Logger:
    """One logger: what it writes, how often, and how far its clock is off."""

    file: str
    interval_s: int
    dialect: LoggerFormat
    probes: dict[str, Probe] | None = None
    clock_ahead_s: float = 0.0
    first_s: int = 0  # when it began, after the unit's start


@dataclass(frozen=True, kw_only=True)
class DemoUnit:
    """One unit of the demo."""

    name: str
    story: str  # one line for the truth file
    machine: Machine
    site: Site
    days: float
    seed: int
    start: str
    tz: str = "UTC"
    faults: Sequence[Fault] = ()
    loggers: Sequence[Logger]
    toml: str = ""
    loose: bool = False  # its files lie in the top folder


def write_demo(folder: Path, units: Sequence[DemoUnit], *, progress: Progress | None = None) -> list[Path]:
    """Write all `units` under `folder`, which is made if it is not there; the files written, in order.

    The same bytes each time. Raises UsageError where the folder holds anything, so that nothing is overwritten.
    """
    empty_folder(folder)
    written = []
    for i, unit in enumerate(units):
        if progress is not None:
            progress(f"{unit.name} ({i + 1} of {len(units)})")
        for path, data in unit_files(unit).items():
            target = folder / path
            target.parent.mkdir(exist_ok=True)
            target.write_bytes(data)
            written.append(target)
    readme = folder / "README.md"
    rows = "\n".join(f"| `{unit.name}` | {unit.story} |" for unit in units)
    readme.write_bytes(README.format(rows=rows).encode())
    return [*written, readme]


def empty_folder(folder: Path) -> None:
    """Make sure that `folder` is there and empty. Raises UsageError where it holds anything."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(
            f'"{folder.name}" is not an empty folder',
            remedy="name a new folder, or empty this one yourself first",
        )
    folder.mkdir(parents=True, exist_ok=True)


def unit_files(unit: DemoUnit) -> dict[str, bytes]:
    """The files of one unit: path under the demo's folder -> bytes."""
    world = run_world(
        unit.machine,
        days=unit.days,
        seed=unit.seed,
        faults=unit.faults,
        start=unit.start,
        tz=unit.tz,
        site=unit.site,
    )
    base = "" if unit.loose else f"{unit.name}/"
    files = {}
    for i, logger in enumerate(unit.loggers):
        log = record(
            world, interval_s=logger.interval_s, seed=unit.seed + i, probes=logger.probes,
            roles=list(logger.dialect.labels), clock_ahead_s=logger.clock_ahead_s, from_s=logger.first_s,
        )  # fmt: skip
        data = csv_bytes(log, logger.dialect)
        files[base + logger.file] = gzipped(data) if logger.file.endswith(".gz") else data
    if unit.toml:
        files[base + "unit.toml"] = unit.toml.encode()
    files[f"{unit.name}.truth.json" if unit.loose else f"{unit.name}/truth.json"] = truth_json(
        unit, world
    ).encode()
    return files


def truth_json(unit: DemoUnit, world: World) -> str:
    """What the machine really did, as text: phases, compressor starts, faults, and the findings they ought to raise."""
    zone = ZoneInfo(unit.tz)

    def iso(ns: int) -> str:
        return datetime.fromtimestamp(ns / NS, zone).isoformat(timespec="seconds")

    # A clock that is off is a fault of a logger, not of the machine.
    clocks = [logger for logger in unit.loggers if logger.clock_ahead_s]
    expect = sorted(
        {code for fault in world.truth for code in fault.expect} | ({"clock-offset"} if clocks else set())
    )
    may = sorted({code for fault in world.truth for code in fault.may} - set(expect))
    head = {
        "unit": unit.name,
        "invented": True,
        "story": unit.story,
        "machine": unit.machine.name,
        "time_zone": unit.tz,
        "start": iso(world.start_ns),
        "end": iso(world.start_ns + world.seconds * NS),
        "interval_s": {logger.file: logger.interval_s for logger in unit.loggers},
        "clock_ahead_s": {logger.file: logger.clock_ahead_s for logger in clocks},
        "expect": expect,
        "may": may,
        "faults": [
            {
                "kind": fault.kind,
                "start": iso(fault.start_ns),
                "end": iso(fault.end_ns),
                "shown": [[iso(a), iso(b)] for a, b in fault.shown_ns],
            }
            for fault in world.truth
        ],
        "ice_kg": round(sum(batch.ice_kg for batch in world.batches), 2),
        "batches": len(world.batches),
        "compressor_starts": [iso(ns) for ns in world.starts_ns],
    }
    phases = ",\n".join(f'  ["{iso(a)}", "{iso(b)}", "{kind}"]' for a, b, kind in world.phases)
    body = json.dumps(head, indent=1, ensure_ascii=False)
    return f'{body[:-2]},\n "phases": [\n{phases}\n ]\n}}\n'
