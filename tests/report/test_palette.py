"""Colours are judged by computation. Contrast: WCAG 2.2, success criteria 1.4.3 and 1.4.11. Colour vision: the matrices
of Machado, Oliveira and Fernandes (2009) at full severity and CIEDE2000, both from the colour-science package."""

import itertools
import re
from functools import cache

import numpy as np
import pytest

from pipeline.report.palette import DARK, LIGHT, css_variables

pytestmark = pytest.mark.filterwarnings("ignore:.*Machado")

MODES = [pytest.param(LIGHT, id="light"), pytest.param(DARK, id="dark")]
TEXT = ("ink", "soft", "link", "act", "watch", "note", "well", "odd")
GRAPHICS = ("edge", "focus", "freeze", "harvest", "idle", "unclear", "gap", "odd")
TRACES = tuple(f"trace-{n}" for n in range(1, 7))


def linear(colour_hex: str) -> np.ndarray:
    v = np.array([int(colour_hex[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def contrast(a: str, b: str) -> float:
    dark, light = sorted(float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (a, b))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize(
    ("shade", "ratio"),
    [
        ("#000000", 21.0),  # by definition
        ("#767676", 4.542),  # the grey that just passes 4.5:1 on white, quoted in public guides to WCAG
        ("#777777", 4.478),  # and the next one, which fails
        ("#ff0000", 3.998),
    ],
)
def test_contrast_is_computed_as_wcag_says(shade, ratio):
    assert contrast(shade, "#ffffff") == pytest.approx(ratio, abs=5e-4)


@pytest.mark.parametrize("palette", MODES)
@pytest.mark.parametrize("ground", ["paper", "sheet", "tint"])
def test_text_has_a_contrast_of_at_least_4_5_to_1(palette, ground):
    for name in TEXT:
        assert contrast(palette[name], palette[ground]) >= 4.5, name


@pytest.mark.parametrize("palette", MODES)
def test_names_of_traces_are_text_and_have_its_contrast(palette):
    for name in TRACES:
        assert contrast(palette[name], palette["sheet"]) >= 4.5, name


@pytest.mark.parametrize("palette", MODES)
def test_marks_and_edges_have_a_contrast_of_at_least_3_to_1(palette):
    for name, ground in itertools.product(GRAPHICS, ("paper", "sheet")):
        assert contrast(palette[name], palette[ground]) >= 3, (name, ground)
    assert contrast(palette["on-strong"], palette["act"]) >= 4.5


@cache
def colour_science():
    """Imported by the one process that runs these tests: it takes seconds."""
    import colour

    return colour


@cache
def matrix(deficiency: str) -> np.ndarray:
    return (
        np.eye(3)
        if deficiency == "none"
        else np.array(colour_science().matrix_cvd_Machado2009(deficiency, 1.0))
    )


def lab(colour_hex: str, deficiency: str) -> np.ndarray:
    rgb = np.clip(matrix(deficiency) @ linear(colour_hex), 0, 1)
    colour = colour_science()
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    return colour.XYZ_to_Lab(colour.RGB_to_XYZ(rgb, "sRGB"), white)


@pytest.mark.parametrize("palette", MODES)
@pytest.mark.parametrize("deficiency", ["none", "Protanomaly", "Deuteranomaly", "Tritanomaly"])
@pytest.mark.parametrize(
    "group",
    [
        pytest.param(("freeze", "harvest", "idle", "unclear", "gap", "odd"), id="phases"),
        pytest.param(("act", "watch", "note", "well"), id="severities"),
        pytest.param(TRACES, id="traces"),
    ],
)
def test_colours_that_mean_different_things_stay_apart_to_every_eye(palette, deficiency, group):
    """A CIEDE2000 of 10 is several times what is just noticed (about 1); common practice, no standard found."""
    for a, b in itertools.combinations(group, 2):
        pair = (lab(palette[name], deficiency) for name in (a, b))
        apart = colour_science().delta_E(*pair, method="CIE 2000")
        assert apart >= 10, (a, b)


def test_both_modes_name_the_same_colours_and_paper_is_always_light():
    assert LIGHT.keys() == DARK.keys()
    printed = css_variables().split("@media print")[1]
    assert re.search(r"--paper:(#\w+)", printed)[1] == LIGHT["paper"]
