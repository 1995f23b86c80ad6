"""How well the reports of `sample_logs` meet the truth that lies beside the logs.

    python -m tests.bench.samples [LOGS]
    python -m tests.bench.samples --faults 7 [--only slab]

The second form writes logs of its own first: every fault of the simulator, and none, on each of some machines.
Runs the real command into a temporary folder and reads only its public files (phases.csv, findings.json).
"""

from __future__ import annotations

import argparse
import csv
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from pipeline.demo.dialects import LoggerFormat
from pipeline.demo.faults import KINDS, Fault
from pipeline.demo.machine import MACHINES, Site
from pipeline.demo.scenario import DemoUnit, Logger, unit_files
from tests.scoring import f1_of, score


@dataclass(frozen=True, kw_only=True)
class Span:
    kind: str
    start_ns: int
    end_ns: int


def span(start: str, end: str, kind: str) -> Span:
    a, b = (round(datetime.fromisoformat(t).timestamp() * 1e9) for t in (start, end))
    return Span(kind=kind, start_ns=a, end_ns=b)


def with_gap(phases: list[Span], start_ns: int) -> list[Span]:
    """The phases with a gap of the fault's own length cut into them."""
    end_ns = start_ns + round(KINDS["gap"].options["minutes"] * 60e9)
    before = [replace(p, end_ns=min(p.end_ns, start_ns)) for p in phases if p.start_ns < start_ns]
    after = [replace(p, start_ns=max(p.start_ns, end_ns)) for p in phases if p.end_ns > end_ns]
    return [*before, Span(kind="gap", start_ns=start_ns, end_ns=end_ns), *after]


def compare(logs: Path, reports: Path) -> None:
    """Print a line a unit: boundary F1, median error, findings due and not due."""
    hits = false = missed = 0
    errors = []
    for path in sorted(logs.rglob("*truth.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        unit = truth["unit"]
        with (reports / unit / "phases.csv").open(encoding="utf-8", newline="") as file:
            found = [span(row["start"], row["end"], row["phase"]) for row in csv.DictReader(file)]
        true = [span(*p) for p in truth["phases"]]
        for fault in truth["faults"]:
            if fault["kind"] == "gap":
                true = with_gap(true, span(fault["start"], fault["end"], "gap").start_ns)
        result = score(true, found, interval_s=max(truth["interval_s"].values()))
        findings = json.loads((reports / unit / "findings.json").read_text(encoding="utf-8"))["findings"]
        codes = {f["code"]: f["severity"] for f in findings}
        absent = sorted(set(truth["expect"]) - set(codes))
        extra = sorted(f"{c} ({s})" for c, s in codes.items() if c not in {*truth["expect"], *truth["may"]})
        hits, false, missed = hits + result.hits, false + result.false, missed + result.missed
        errors.append(result.errors_s)
        off = float(np.median(np.abs(result.errors_s))) if len(result.errors_s) else float("nan")
        print(
            f"{unit:20} F1 {result.f1:.4f} (false {result.false}, missed {result.missed}) median {off:4.1f} s "
            f"agree {result.agree:.4f}  found: {', '.join(f'{c}:{s}' for c, s in codes.items()) or '–'}"
            + (f"  MISSING: {', '.join(absent)}" if absent else "")
            + (f"  NOT DUE: {', '.join(extra)}" if extra else "")
        )
        for line in result.details[:3]:
            print("    ", line)
    every = np.abs(np.concatenate(errors))
    print(
        f"all: F1 {f1_of(hits, false, missed):.4f}, median error {np.median(every):.1f} s, {hits} boundaries met"
    )


def write_faults(folder: Path, seed: int, only: str) -> None:
    """A unit a fault and machine, in one plain dialect, laid out as the demo is."""
    labels = {
        "evaporator": "Evaporator (°C)", "suction": "Suction line (°C)", "discharge": "Discharge line (°C)",
        "condenser_in": "Condenser in (°C)", "condenser_out": "Condenser out (°C)", "water_in": "Supply water (°C)",
        "ambient": "Room (°C)", "current": "Unit current (A)",
    }  # fmt: skip
    rng = np.random.default_rng(seed)
    for name in ("slab", "cube-small", "cube-undercounter", "slab-water-cooled"):
        for kind in ("", *KINDS):
            if only not in f"{name}-{kind}":
                continue
            interval_s = int(rng.choice([2, 5, 10, 20, 30]))
            unit = DemoUnit(
                name=f"{name}-{kind or 'healthy'}-{interval_s}s", story="", machine=MACHINES[name], days=3.0,
                seed=seed, start="2026-06-01T08:00:00",
                site=Site(ambient_c=float(rng.uniform(18, 32)), water_c=float(rng.uniform(10, 24)),
                          use_kg_per_day=MACHINES[name].slab_kg * 86400 / MACHINES[name].usual_freeze_s * 0.6),
                faults=[Fault(kind=kind, from_day=float(rng.uniform(0.8, 1.4)))] if kind else [],
                loggers=[Logger(file="log.csv", interval_s=interval_s, dialect=LoggerFormat(labels=labels))],
            )  # fmt: skip
            for path, data in unit_files(unit).items():
                (folder / path).parent.mkdir(exist_ok=True)
                (folder / path).write_bytes(data)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("logs", nargs="?", type=Path, default=Path(__file__).parents[2] / "sample_logs")
    parser.add_argument("--faults", type=int, metavar="SEED")
    parser.add_argument("--only", default="")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        logs = args.logs
        if args.faults is not None:
            logs = Path(folder) / "logs"
            logs.mkdir()
            write_faults(logs, args.faults, args.only)
        reports = Path(folder) / "reports"
        begun = time.perf_counter()
        command = [sys.executable, "-m", "pipeline", "report", str(logs), "--to", str(reports)]
        done = subprocess.run(command, capture_output=True, text=True)
        print(f"exit status {done.returncode}, {time.perf_counter() - begun:.1f} s")
        if done.returncode:
            sys.exit(done.stderr)
        compare(logs, reports)


if __name__ == "__main__":
    main()
