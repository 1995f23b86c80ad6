"""The sample logs, read and judged as a user would: no unit's cycles are lost. Nothing was learned from their simulator."""

import json
import subprocess
import sys
from pathlib import Path

import pandas as pd

LOGS = Path(__file__).parents[2] / "sample_logs"


def test_every_sample_log_has_the_harvests_that_its_truth_has(tmp_path):
    subprocess.run(
        [sys.executable, "-m", "pipeline", "report", str(LOGS), "--to", str(tmp_path)],
        check=True,
        timeout=900,
    )
    truths = sorted([*LOGS.glob("*/truth.json"), *LOGS.glob("*.truth.json")])
    assert len(truths) == 11
    for path in truths:
        name = path.parent.name if path.name == "truth.json" else path.name.removesuffix(".truth.json")
        true = sum(kind == "harvest" for _, _, kind in json.loads(path.read_text(encoding="utf-8"))["phases"])
        found = (pd.read_csv(tmp_path / name / "phases.csv")["phase"] == "harvest").sum()
        assert abs(found - true) <= 0.05 * true, name
