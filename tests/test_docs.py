"""The documents say what the program does: codes, keys, roles, verbs, benchmarks, commands."""

import re
import subprocess
import sys
import tomllib
import warnings
from pathlib import Path

import pytest
from pydantic import BaseModel

from pipeline.findings import thresholds
from pipeline.language.catalogue import catalogue
from pipeline.unit import ROLES, Client, Unit
from tests.conftest import LONG

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def example() -> dict:
    return tomllib.loads(re.search(r"## unit\.toml.*?```toml\n(.*?)```", README, re.S)[1])


def keys_of(model: type[BaseModel]) -> set[str]:
    return set(model.model_fields)


def test_the_example_of_unit_toml_is_taken_as_it_stands():
    unit = Unit(name="lantern-bar", **example())
    assert thresholds.resolve(unit)


def test_the_example_of_unit_toml_shows_every_key():
    table = example()
    assert set(table) == keys_of(Unit) - {"name"}
    for key in ("nameplate", "measured", "expected", "clock", "firm"):
        assert set(table[key]) == keys_of(Unit.model_fields[key].annotation), key
    assert set(table["client"]) == keys_of(Client)


def test_every_role_stands_in_the_readme_and_has_a_name_on_the_pages():
    assert [role for role in ROLES if f"`{role}`" not in README] == []
    assert [role for role in ROLES if f"role.{role}" not in catalogue("en")] == []


def test_every_code_but_the_newest_stands_in_the_readme_and_the_other_way_round():
    table = README.split("### What can be found")[1].split("### What a log cannot tell")[0]
    told = {
        code
        for row in re.findall(r"^\| (`[^|]*) \|", table, re.M)
        for code in re.findall(r"`([a-z-]+)`", row)
    }
    rooms = [*(ROOT / "pipeline" / "findings").rglob("*.py"), *(ROOT / "pipeline" / "logs").rglob("*.py")]
    sources = "".join(path.read_text("utf-8") for path in rooms)
    named = set(re.findall(r'code="([a-z-]+)"', sources))
    waiting = named - told
    assert len(waiting) <= 1  # a new finding's row may come with the next words on it: see DEVELOPERS.md
    if waiting:
        warnings.warn(f"no row in the README's table yet: {', '.join(waiting)}", stacklevel=1)
    assert [code for code in sorted(told) if f'"{code}"' not in sources] == []


@pytest.mark.parametrize("verb", ["report", "check", "compare", "watch", "email", "demo"])
def test_every_verb_has_help_and_stands_in_the_readme(verb):
    done = subprocess.run([sys.executable, "-m", "pipeline", verb, "--help"], capture_output=True, text=True)
    assert done.returncode == 0
    assert len(done.stdout.splitlines()) > 8
    assert f"`icelogs {verb} " in README


def test_every_benchmark_that_can_be_run_stands_in_developers():
    runnable = [p.stem for p in (ROOT / "tests" / "bench").glob("*.py") if "__main__" in p.read_text("utf-8")]
    assert [name for name in sorted(runnable) if f"`{name}`" not in DEVELOPERS] == []


def test_the_ci_script_runs_the_test_command_of_the_readme():
    commands = re.findall(r"<!-- the test command -->\n```sh\n(python3 .*)\n```", README)
    assert len(commands) == 1
    assert "pytest" in commands[0]
    assert "the test command" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def libraries() -> set[str]:
    """What pyproject.toml asks for, extras and all, by name."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *(r for rs in project["optional-dependencies"].values() for r in rs)]
    return {re.match(r"[A-Za-z0-9_-]+", line)[0] for line in asked} - {project["name"]}


def test_every_library_is_pinned_for_ci_at_a_version_that_pyproject_allows():
    from packaging.requirements import Requirement

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *(r for rs in project["optional-dependencies"].values() for r in rs)]
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pinned = dict(line.lower().split("==") for line in lines if not line.startswith("#"))
    for requirement in map(Requirement, asked):
        if requirement.name != project["name"]:
            assert pinned[requirement.name.lower()] in requirement.specifier, requirement.name


def test_every_library_stands_in_developers_with_its_licence():
    tables = DEVELOPERS.split("### Licences of the libraries")[1].split("\n## ")[0]
    assert [name for name in sorted(libraries()) if not re.search(rf"\b{name}\b", tables)] == []


def test_the_two_commands_and_the_drop_folder_are_shown_for_windows():
    shown = re.search(r"```powershell\n(.*?)```", README, re.S)[1]
    assert "icelogs report sample_logs --to reports" in shown
    assert "pytest -n 3" in shown
    assert "icelogs watch " in shown


def test_the_modules_that_are_begun_first_are_there():
    assert [module for module in LONG if not (ROOT / "tests" / f"{module}.py").is_file()] == []
