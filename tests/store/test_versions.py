"""Any change of a room, however small, is another version."""

from pathlib import Path

import pytest

import pipeline
from pipeline.store import versions


@pytest.fixture
def rooms(tmp_path, monkeypatch):
    """A copy of two rooms whose sources a test may change."""
    for name in ("logs/reader.py", "cycles/find.py", "report/page.html", "report/__pycache__/page.pyc"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("1")
    monkeypatch.setattr(versions, "files", lambda package: tmp_path)
    return tmp_path


def digest():
    return versions.digest_of(("logs", "cycles", "report"))


@pytest.mark.parametrize("name", ["logs/reader.py", "cycles/find.py", "report/page.html"])
def test_a_changed_source_is_another_version(rooms, name):
    before = digest()
    (rooms / name).write_text("2")
    assert digest() != before


def test_a_new_and_a_renamed_source_are_other_versions(rooms):
    seen = {digest()}
    (rooms / "logs" / "new.py").write_text("1")
    seen.add(digest())
    (rooms / "logs" / "new.py").rename(rooms / "logs" / "other.py")
    seen.add(digest())
    assert len(seen) == 3


def test_what_the_interpreter_leaves_beside_them_is_none(rooms):
    before = digest()
    (rooms / "report" / "__pycache__" / "page.pyc").write_text("2")
    assert digest() == before


def test_every_room_that_a_report_goes_through_is_in_its_version():
    root = Path(pipeline.__file__).parent
    rooms = {p.name for p in root.iterdir() if (p / "__init__.py").exists()} - {
        "demo",
        "store",
        "delivery",
        "fleet",
    }
    assert rooms <= set(versions.REPORTED_BY)
