"""What the technician gives for the pages."""

import base64
import io
from datetime import datetime

import numpy as np
import pytest
from PIL import Image

from pipeline.report.given import PHOTO_BYTES, Given, given_of, read_given
from pipeline.unit import Unit


def photo(path, *, size=(1600, 1200), turned=False, seed=1):
    noise = np.random.default_rng(seed).normal(120, 50, (size[1], size[0], 3)).clip(0, 255).astype(np.uint8)
    exif = Image.Exif()
    exif[0x010F] = "a maker"  # Exif 2.3, table 4: Make
    exif[0x8825] = {1: "N", 2: (38.0, 42.0, 0.0)}  # Exif 2.3, table 4: GPSInfo
    if turned:
        exif[0x0112] = 6  # Exif 2.3, section 4.6.4: the row 0 is the visual right-hand side
    Image.fromarray(noise).save(path, exif=exif)
    return path


def unit_with(*names, **firm):
    photos = [{"file": name, "alt": f"what {name} shows"} for name in names]
    return Unit(name="bar", firm=firm, visits=[{"on": "2026-05-04", "what": "cleaned", "photos": photos}])


def decoded(uri):
    return Image.open(io.BytesIO(base64.b64decode(uri.partition(",")[2])))


def test_a_photo_is_made_small_and_keeps_nothing_of_the_camera(tmp_path):
    given, problems = given_of(unit_with("coil.jpg"), [photo(tmp_path / "coil.jpg")])
    assert problems == ()
    (got,) = given.visits[0]["photos"]
    assert len(got["src"]) <= PHOTO_BYTES
    picture = decoded(got["src"])
    assert max(picture.size) <= 900
    assert len(picture.getexif()) == 0
    assert b"a maker" not in base64.b64decode(got["src"].partition(",")[2])
    assert got["alt"] == "what coil.jpg shows"


def test_a_photo_stands_upright(tmp_path):
    given, _ = given_of(unit_with("coil.jpg"), [photo(tmp_path / "coil.jpg", turned=True)])
    width, height = decoded(given.visits[0]["photos"][0]["src"]).size
    assert height > width


def test_many_photos_share_the_room_and_the_latest_are_taken(tmp_path):
    names = [f"{n}.jpg" for n in range(9)]
    given, _ = given_of(
        unit_with(*names), [photo(tmp_path / name, size=(800, 600), seed=n) for n, name in enumerate(names)]
    )
    got = given.visits[0]["photos"]
    assert [p["alt"] for p in got] == [f"what {n}.jpg shows" for n in range(3, 9)]
    assert sum(len(p["src"]) for p in got) <= PHOTO_BYTES


@pytest.mark.parametrize(
    "content", [b"no picture at all", b"\x89PNG\r\n\x1a\n cut short", b"<svg onload='alert(1)'/>"]
)
def test_what_is_no_picture_is_left_out_and_told(tmp_path, content):
    path = tmp_path / "coil.png"
    path.write_bytes(content)
    given, (problem,) = given_of(unit_with("coil.png"), [path])
    assert given.visits[0]["photos"] == []
    assert "coil.png" in problem.message
    assert "cannot be opened" in problem.message
    assert str(tmp_path) not in problem.message


def test_a_photo_that_is_not_there_is_told_with_the_remedy():
    _, (problem,) = given_of(unit_with("coil.jpg"))
    assert problem.message.startswith("bar/coil.jpg: there is no such picture")


def test_a_loose_units_photo_carries_its_name_before_the_underscores(tmp_path):
    given, problems = given_of(unit_with("coil.jpg"), [photo(tmp_path / "bar__coil.jpg", size=(300, 200))])
    assert problems == ()
    assert given.visits[0]["photos"]


def test_a_logo_keeps_its_transparency(tmp_path):
    Image.new("RGBA", (300, 100), (0, 0, 0, 0)).save(tmp_path / "mark.png")
    given, _ = given_of(unit_with(name="Salt", logo="mark.png"), [tmp_path / "mark.png"])
    assert decoded(given.firm["logo"]).mode == "RGBA"


@pytest.mark.parametrize("name", ["../coil.jpg", "a/coil.jpg", "a\\coil.jpg", ".coil.jpg", "coil.exe", ""])
def test_only_a_picture_beside_the_logs_may_be_named(name):
    with pytest.raises(ValueError, match="expected"):
        unit_with(name)


def test_a_photo_without_words_is_refused():
    with pytest.raises(ValueError, match="say in a few words what the photo shows"):
        Unit(name="bar", visits=[{"on": "2026-05-04", "photos": [{"file": "coil.jpg", "alt": " "}]}])


def test_a_visit_may_have_a_time_of_day_and_one_line_for_a_list():
    unit = Unit(name="bar", visits=[{"on": datetime(2026, 5, 4, 14, 30), "done": "fan renewed"}])
    given, _ = given_of(unit)
    assert (given.visits[0]["on"], given.visits[0]["at"], given.visits[0]["done"]) == (
        "2026-05-04",
        "14:30",
        ["fan renewed"],
    )


def test_it_survives_its_file_and_a_broken_file_is_nothing(tmp_path):
    given, _ = given_of(unit_with(name="Salt"))
    (tmp_path / "given.json").write_text(given.to_json(), encoding="utf-8")
    assert read_given(tmp_path) == given
    (tmp_path / "given.json").write_text("{", encoding="utf-8")
    assert read_given(tmp_path) == Given()
