"""How well the reports of `sample_logs` meet the truth that lies beside the logs.

    python -m tests.bench.samples [LOGS]

Runs the real command into a temporary folder and reads only its public files (phases.csv, findings.json).
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from tests.scoring import f1_of, score


@dataclass(frozen=True, kw_only=True)
class Span:
    kind: str
    start_ns: int
    end_ns: int


def span(start: str, end: str, kind: str) -> Span:
    a, b = (round(datetime.fromisoformat(t).timestamp() * 1e9) for t in (start, end))
    return Span(kind=kind, start_ns=a, end_ns=b)


def compare(logs: Path, reports: Path) -> None:
    """Print a line a unit: boundary F1, median error, findings due and not due."""
    hits = false = missed = 0
    errors = []
    for path in sorted(logs.rglob("*truth.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        unit = truth["unit"]
        with (reports / unit / "phases.csv").open(encoding="utf-8", newline="") as file:
            found = [span(row["start"], row["end"], row["phase"]) for row in csv.DictReader(file)]
        result = score(
            [span(*p) for p in truth["phases"]], found, interval_s=max(truth["interval_s"].values())
        )
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
        for line in result.details[:6]:
            print("    ", line)
    every = np.abs(np.concatenate(errors))
    print(
        f"all: F1 {f1_of(hits, false, missed):.4f}, median error {np.median(every):.1f} s, {hits} boundaries met"
    )


def main() -> None:
    logs = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[2] / "sample_logs"
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "pipeline", "report", str(logs), "--to", folder],
            capture_output=True,
            text=True,
        )
        print(f"exit status {done.returncode}, {time.perf_counter() - begun:.1f} s")
        if done.returncode > 1:
            sys.exit(done.stderr)
        compare(logs, Path(folder))


if __name__ == "__main__":
    main()
