"""The demo: complete, repeatable, harmless, and the same as what is committed."""

from __future__ import annotations

import csv
import gzip
import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.demo.scenario import unit_files, write_demo
from pipeline.demo.units import UNITS
from pipeline.errors import UsageError
from pipeline.unit_toml import load_unit

COMMITTED = Path(__file__).parents[2] / "sample_logs"
BY_NAME = {unit.name: unit for unit in UNITS}


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "logs"
    write_demo(folder, UNITS)
    return folder


def truth_of(folder: Path, name: str) -> dict:
    path = folder / f"{name}.truth.json" if BY_NAME[name].loose else folder / name / "truth.json"
    return json.loads(path.read_text(encoding="utf-8"))


def files_in(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def test_the_committed_samples_are_what_the_demo_writes(written):
    assert files_in(written) == files_in(COMMITTED)
    for name in BY_NAME:
        new, old = truth_of(written, name), truth_of(COMMITTED, name)
        assert {k: v for k, v in new.items() if isinstance(v, str)} == {
            k: v for k, v in old.items() if isinstance(v, str)
        }
        assert (new["expect"], new["may"], new["batches"]) == (old["expect"], old["may"], old["batches"])
        assert [p[2] for p in new["phases"]] == [p[2] for p in old["phases"]]
        # another processor may round its last bit another way, and a switch then act a step later
        seconds = [
            abs((datetime.fromisoformat(a[0]) - datetime.fromisoformat(b[0])).total_seconds())
            for a, b in zip(new["phases"], old["phases"], strict=True)
        ]
        assert max(seconds) <= 10


def test_the_same_bytes_are_written_each_time(written):
    for name in ("boathouse-kitchen", "ballroom"):
        for path, data in unit_files(BY_NAME[name]).items():
            assert (written / path).read_bytes() == data, path


def test_the_committed_samples_are_under_eight_megabytes():
    assert sum(p.stat().st_size for p in COMMITTED.rglob("*") if p.is_file()) < 8_000_000


def test_a_folder_that_holds_anything_is_refused_and_left_alone(tmp_path):
    kept = tmp_path / "notes.txt"
    kept.write_text("mine")
    with pytest.raises(UsageError, match="not an empty folder"):
        write_demo(tmp_path, UNITS)
    with pytest.raises(UsageError):
        write_demo(kept, UNITS)
    assert files_in(tmp_path) == ["notes.txt"]
    assert kept.read_text() == "mine"


def test_progress_is_told_unit_by_unit(tmp_path):
    told = []
    write_demo(tmp_path / "new" / "folder", [BY_NAME["ballroom"]], progress=told.append)
    assert told == ["ballroom (1 of 1)"]


def test_the_demo_says_that_it_is_invented(written):
    assert "Everything here is invented" in (written / "README.md").read_text(encoding="utf-8")
    for name in BY_NAME:
        assert truth_of(written, name)["invented"] is True
    for toml in written.rglob("unit.toml"):
        assert toml.read_text(encoding="utf-8").startswith("# Invented")


def test_units_are_many_and_differ():
    kinds = [{fault.kind for fault in unit.faults} for unit in UNITS]
    assert len(UNITS) >= 8
    assert sum(not k for k in kinds) >= 3
    assert len({unit.machine.name for unit in UNITS if not unit.faults}) >= 3
    for wanted in ("stalled-harvest", "water-leak", "high-pressure-trips", "timer-ends-freeze", "probe-open",
                   "dirty-condenser", "failed-start"):  # fmt: skip
        assert any(k == {wanted} for k in kinds), wanted
    loggers = [logger for unit in UNITS for logger in unit.loggers]
    assert {1, 60} <= {logger.interval_s for logger in loggers}
    assert {True, False} == {logger.dialect.fahrenheit for logger in loggers}
    assert {1, 2} == {len(unit.loggers) for unit in UNITS}


def test_truth_is_beside_each_unit_and_no_log(written):
    logs = {".csv", ".txt", ".tsv", ".gz", ".zip"}
    for name in BY_NAME:
        assert truth_of(written, name)["phases"]
    others = {p.suffix for p in written.rglob("*") if p.is_file() and p.suffix not in logs}
    assert others == {".json", ".toml", ".md"}


def test_every_unit_file_is_valid(written):
    for toml in written.rglob("unit.toml"):
        unit = load_unit(toml.parent.name, toml)
        assert unit.time_zone == BY_NAME[unit.name].tz
    # a unit without the file is read as UTC, so its loggers must run on UTC
    for name, unit in BY_NAME.items():
        if not (written / name / "unit.toml").exists():
            assert unit.tz == "UTC"


def test_the_nameplate_holds_at_its_rating_point():
    from pipeline.demo.machine import Site
    from pipeline.demo.simulator import run_world

    unit = BY_NAME["lantern-bar"]
    assert "ice_kg_per_day = 111" in unit.toml
    site = Site(ambient_c=32.2, ambient_swing_k=0, water_c=21.1, water_swing_k=0, use_kg_per_day=1e5)
    batches = run_world(unit.machine, days=1.5, seed=0, site=site).batches
    made = sum(b.ice_kg for b in batches) / (batches[-1].end_s - batches[0].freeze_s) * 86400
    assert made == pytest.approx(111, rel=0.03)


def test_readings_agree_with_the_truth_that_lies_beside_them(written):
    """Read by Python's own csv module: current stops where the true phases say that the compressor does."""
    truth = truth_of(written, "lantern-bar")
    text = gzip.decompress((written / "lantern-bar" / "lantern-bar-fast.csv.gz").read_bytes()).decode()
    rows = list(csv.reader(text.splitlines()))
    assert rows[0] == ["Timestamp", "Evaporator outlet [°C]", "Unit current [A]"]
    at = np.array([datetime.fromisoformat(r[0]).timestamp() for r in rows[1:]])
    amps = np.array([float(r[2]) for r in rows[1:]])
    plate = np.array([float(r[1]) for r in rows[1:]])
    assert np.all(np.diff(at) == 1)
    for start, end, kind in truth["phases"]:
        a, b = datetime.fromisoformat(start).timestamp(), datetime.fromisoformat(end).timestamp()
        inside = (at > a + 2) & (at < b - 2)
        assert (amps[inside] < 0.3).all() if kind == "idle" else (amps[inside] > 1).all()
        if kind == "harvest" and b - a > 100:
            assert plate[(at > b - 5) & (at < b + 30)].max() > plate[(at > a - 5) & (at < a + 5)].max() + 15


def test_the_clock_of_the_second_logger_is_ahead_as_the_truth_says(written):
    truth = truth_of(written, "pier-terrace")
    assert truth["clock_ahead_s"] == {"clamp-meter.csv": 95.0}
    assert "clock-offset" in truth["expect"]
    rows = list(
        csv.reader((written / "pier-terrace" / "clamp-meter.csv").read_text(encoding="utf-8").splitlines())
    )
    first = datetime.strptime(rows[1][0], "%d/%m/%Y %H:%M:%S")
    begun = datetime.fromisoformat(truth["start"]).replace(tzinfo=None)
    assert (first - begun).total_seconds() == 95
