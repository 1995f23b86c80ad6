"""A small fleet, reported once for all tests of the room: one unit that is well, two that need something."""

import shutil

import pytest

from pipeline.fleet.run import RunOptions, report
from tests.store.scene import write_log, write_unit

CLIENTS = """
[sender]
name = "Ice Service"
email = "desk@tech.example"

[[client]]
name = "Lantern Group"
email = ["office@lantern.example"]
machines = ["bar", "cafe"]
time_zone = "Europe/Madrid"

[[client]]
name = "Quiosco Ñandú"
email = ["hola@kiosk.example"]
machines = ["kiosk"]
language = "es"
units = "us"
"""


@pytest.fixture(scope="session")
def made_fleet(tmp_path_factory):
    root = tmp_path_factory.mktemp("fleet")
    write_unit(
        root / "logs",
        "bar",
        client='title = "Bar <b>&</b> Grill"\nplace = "Harbour side"\ntime_zone = "Europe/Madrid"\n',
    )
    write_unit(root / "logs", "cafe", hours=8)
    write_log(root / "logs" / "kiosk" / "probes.csv", freeze_min=55.0, hours=20, seed=4)
    (root / "logs" / "kiosk" / "unit.toml").write_text(
        'kind = "slab"\ntime_zone = "Atlantic/Canary"\n', encoding="utf-8"
    )
    report(root / "logs", root / "reports", RunOptions(jobs=1))
    (root / "reports" / "clients.toml").write_text(CLIENTS, encoding="utf-8")
    return root


@pytest.fixture
def reports(made_fleet, tmp_path):
    """The reports, in a folder of this test alone."""
    shutil.copytree(made_fleet / "reports", tmp_path / "reports", copy_function=shutil.copy2)
    return tmp_path / "reports"
