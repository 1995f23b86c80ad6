import io
import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.report import ReportOptions, still_pictures, write_unit
from tests.report.made_up import made_up


def report(folder: Path, **options) -> Path:
    unit, timeline, record, judgement = made_up(days=3, interval_s=30, **options)
    write_unit(
        folder,
        unit=unit,
        timeline=timeline,
        record=record,
        judgement=judgement,
        problems=[],
        options=ReportOptions(),
    )
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return report(tmp_path_factory.mktemp("stills"))


def test_pictures_are_drawn_from_the_files_of_a_report_and_say_what_they_show(folder):
    got = still_pictures(folder)
    assert list(got) == ["log", "freezes"]
    for png, said in got.values():
        picture = Image.open(io.BytesIO(png))
        assert picture.format == "PNG"
        assert picture.width == 1200
        assert len(png) < 200_000
        assert re.search(r"\d", said)
    assert "with its phases" in got["log"][1]
    assert "Abnormal (diamonds): 3" in got["freezes"][1]


def test_colours_of_the_traces_are_in_the_picture(folder):
    png, _ = still_pictures(folder)["freezes"]
    pixels = np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).reshape(-1, 3)
    for shade in ((0x34, 0x51, 0x7F), (0x71, 0x13, 0x26)):  # freeze; abnormal
        assert (np.abs(pixels.astype(int) - shade).sum(axis=1) < 12).sum() > 50


def test_they_speak_the_reader_s_language_and_units(folder):
    said = still_pictures(folder, language="es", units="us")["log"][1]
    assert said.startswith("El registro del ")
    assert "°F" in said
    assert "°C" not in said


def test_what_a_report_does_not_hold_is_not_drawn(tmp_path):
    assert "freezes" not in still_pictures(report(tmp_path, roles=("ambient",)) and _without_cycles(tmp_path))


def _without_cycles(folder: Path) -> Path:
    path = folder / "cycles.csv"
    path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")
    return folder
