"""The flow is the layout: a room imports only from the rooms before it (contracts in pyproject.toml)."""

import ast
import re
import subprocess
import sys
import tomllib
from collections import Counter
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from pipeline.findings.advice.causes import CAUSES
from pipeline.findings.advice.checks import CHECKS
from pipeline.findings.engine import all_rules

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


@cache
def nodes(folder: str) -> tuple[tuple[Path, tuple[ast.AST, ...]], ...]:
    """(module, all nodes of its syntax tree) of every module below `folder`, parsed once for all tests."""
    paths = sorted((ROOT / folder).rglob("*.py"))
    return tuple((path, tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))) for path in paths)


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


def test_no_test_rests_on_a_private_name():
    """A name with an underscore may change whenever its module does: what is worth a test of its own has a public one."""
    met = []
    for path, tree in nodes("tests"):
        ours = [n for n in tree if isinstance(n, ast.ImportFrom) and f"{n.module}".startswith("pipeline")]
        names = {alias.asname or alias.name for node in ours for alias in node.names}
        private = [name for name in names if name.startswith("_")]
        for node in tree:
            if (
                isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Name)
                and node.value.id in names
            ):
                private += [node.attr] * (node.attr.startswith("_") and not node.attr.endswith("__"))
            if (
                isinstance(node, ast.Call)
                and getattr(node.func, "attr", "") == "setattr"
                and len(node.args) > 1
            ):
                private += [a.value for a in node.args[1:2] if str(getattr(a, "value", "")).startswith("_")]
        met += [f"{path.relative_to(ROOT)}: {name}" for name in private]
    assert met == []


def test_a_folder_holds_at_most_twelve_modules():
    counts = Counter(path.parent for path in (ROOT / "pipeline").rglob("*.py"))
    assert {str(folder): n for folder, n in counts.items() if n > 12} == {}


def test_a_text_is_reached_by_path_from_its_own_room_alone():
    """What is opened by path is an import that no contract sees: templates, styles, tables and languages."""
    met = []
    for path, tree in nodes("pipeline"):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for node in tree:
            if isinstance(node, ast.Call):
                called = getattr(node.func, "attr", getattr(node.func, "id", ""))
                if called in ("files", "PackageLoader"):
                    met += [(module, a.value) for a in node.args[:1] if isinstance(a, ast.Constant)]
            elif (
                getattr(node, "attr", "") == "parent" and ast.unparse(node) == "Path(__file__).parent.parent"
            ):
                met.append((module, "the folder above"))
    assert len(met) >= 4
    outside = [(m, reached) for m, reached in met if reached == "pipeline" or not m.startswith(f"{reached}.")]
    assert outside == [("pipeline.store.versions", "pipeline")]  # it digests the sources of all rooms


def test_only_the_findings_room_knows_findings_causes_and_checks_by_name():
    """Rules and tables carry what pages, messages and files need; `logs/` names what it doubts, by the same codes."""
    names = {rule.code for rule in all_rules()} | set(CAUSES) | set(CHECKS)
    others = [ROOT / "pipeline" / room for room in ("report", "delivery", "fleet", "store", "cycles")]
    met = []
    for path, tree in nodes("pipeline"):
        if path.parent == ROOT / "pipeline" or any(path.is_relative_to(room) for room in others):
            met += [(path.name, n.value) for n in tree if isinstance(n, ast.Constant) and n.value in names]
    for path in (ROOT / "pipeline" / "report").rglob("*.*"):
        if path.suffix in (".html", ".js", ".css", ".txt"):
            quoted = re.findall(r"""["']([\w-]+)["']""", path.read_text(encoding="utf-8"))
            met += [(path.name, word) for word in quoted if word in names]
    assert len(names) > 60
    assert met == []


def test_what_the_program_imports_is_asked_for():
    """A library that is only there because another one brought it is missing on the next machine."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *(r for rs in project["optional-dependencies"].values() for r in rs)]
    requirements = [Requirement(line) for line in asked]
    names = {canonicalize_name(name) for r in requirements for name in (r.name, *r.extras)}
    owners = packages_distributions()
    imported = set()
    for _, tree in nodes("pipeline"):
        for node in tree:
            if isinstance(node, ast.Import):
                imported |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level:
                imported.add(node.module.split(".")[0])
    foreign = imported - sys.stdlib_module_names - {"pipeline"}
    assert {"numpy", "ruptures", "pyarrow"} <= foreign
    unasked = {m for m in foreign if not names & {canonicalize_name(d) for d in owners.get(m, [m])}}
    assert unasked == {"pydantic_core"}  # a part of pydantic, told so by its documentation
