"""The flow is the layout: a room imports only from the rooms before it (contracts in pyproject.toml)."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
KEPT_AT_THE_TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "pipeline",
    "tests",
    "sample_logs",
    "reports",
}


def test_imports_go_one_way_only():
    command = [
        sys.executable,
        "-c",
        "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports())",
    ]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_top_level_holds_only_what_belongs_there():
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True
    ).stdout.splitlines()
    top = {name.split("/")[0] for name in tracked}
    assert {name for name in top if not name.startswith(".")} <= KEPT_AT_THE_TOP


def test_the_code_is_linted_and_formatted():
    for command in (["check"], ["format", "--check"]):
        done = subprocess.run(
            [sys.executable, "-m", "ruff", *command, "."], cwd=ROOT, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout
