"""What a small command does not load: that is what makes it answer at once. Seconds are measured by hand."""

import subprocess
import sys

import pytest

HEAVY = {
    "distributed",
    "fsspec",
    "jinja2",
    "matplotlib",
    "numpy",
    "pandas",
    "plotly",
    "pyarrow",
    "pydantic",
    "rich",
    "ruptures",
    "scipy",
    "watchfiles",
}
DRAWING = HEAVY & {"distributed", "fsspec", "jinja2", "matplotlib", "plotly", "ruptures", "watchfiles"}

TELL = """
import sys
from pipeline.cli import main
try:
    status = main(sys.argv[1:])
except SystemExit as ended:
    status = ended.code
print("loaded:", *sys.modules, file=sys.stderr)
sys.exit(status)
"""


def loaded(*arguments):
    done = subprocess.run(
        [sys.executable, "-c", TELL, *arguments], capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stderr
    return set(done.stderr.rpartition("loaded:")[2].split())


@pytest.mark.parametrize(
    "verb", [(), ("report",), ("check",), ("compare",), ("watch",), ("email",), ("demo",)]
)
def test_help_loads_no_library(verb):
    assert loaded(*verb, "--help") & HEAVY == set()


def test_a_look_at_a_file_loads_nothing_that_draws_or_segments(tmp_path):
    rows = [f"2026-05-04 08:{m:02}:{s:02},{m % 7 - 3}.5" for m in range(60) for s in (0, 30)]
    (tmp_path / "log.csv").write_text("Time,Evaporator (°C)\n" + "\n".join(rows) + "\n", encoding="utf-8")
    assert loaded("check", str(tmp_path / "log.csv")) & DRAWING == set()
