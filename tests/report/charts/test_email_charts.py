import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.report.charts.email_charts import email_charts
from pipeline.report.summary import read_summary
from tests.report.made_up import reported


def report(folder: Path, **options) -> Path:
    reported(folder, days=3, interval_s=30, **options)
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return report(tmp_path_factory.mktemp("stills"))


def test_pictures_are_drawn_from_the_summary_of_a_report_and_say_what_they_show(folder):
    got = email_charts(folder)
    assert list(got) == ["freezes", "days"]
    for still in got.values():
        picture = Image.open(io.BytesIO(still.png))
        assert picture.format == "PNG"
        assert picture.width == 1104  # twice the 552 px of a message, for sharp screens
        assert len(still.png) < 200_000
        assert re.search(r"\d", still.alt)
        assert still.note.endswith(".")


def test_colours_of_usual_and_abnormal_freezes_are_in_the_picture(folder):
    pixels = np.asarray(Image.open(io.BytesIO(email_charts(folder)["freezes"].png)).convert("RGB")).reshape(
        -1, 3
    )
    for shade in ((0x43, 0x63, 0x8B), (0x71, 0x13, 0x26)):
        assert (np.abs(pixels.astype(int) - shade).sum(axis=1) < 12).sum() > 50


def test_they_speak_the_reader_s_language(folder):
    assert email_charts(folder, language="es", units="us")["days"].alt.startswith("Días: ")


def test_what_a_report_does_not_hold_is_not_drawn(folder, tmp_path):
    summary = replace(read_summary(folder), trace=(None,) * 96, hours=())
    (tmp_path / "summary.json").write_text(summary.to_json(), encoding="utf-8")
    assert email_charts(tmp_path) == {}
    assert email_charts(tmp_path / "nothing") == {}
