import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.report.payload.pack import MOST_BYTES, Pack, step_of, weight
from pipeline.report.payload.printable import printable
from tests.report.payload.unpack import from_printable, unpack


@settings(deadline=None)  # speed is measured by hand, never in a test
@given(arrays(np.float64, st.integers(1, 200), elements=st.floats(-80, 200) | st.just(float("nan"))))
def test_readings_come_back_within_half_a_step_and_missing_ones_missing(values):
    pack = Pack()
    base = float(np.nanmin(values)) if np.isfinite(values).any() else 0.0
    pack.header["x"] = pack.steps(values, base=base, step=0.05)
    back = unpack(pack.packed())["x"]
    np.testing.assert_array_equal(np.isnan(back), np.isnan(values))
    seen = np.isfinite(values)
    assert np.all(np.abs(back[seen] - values[seen]) <= 0.025 + 1e-9)


def test_arrays_of_all_kinds_come_back_from_one_block():
    pack = Pack()
    pack.header |= {
        "odd": pack.bytes(np.arange(7)),
        "time": pack.thousandths(np.array([0.1, 7_000.123])),
        "deep": {"list": [pack.thousandths(np.array([1.5, np.nan]))], "word": "á</script>"},
    }
    back = unpack(pack.packed())
    assert list(back["odd"]) == list(range(7))
    assert list(back["time"]) == pytest.approx([0.1, 7_000.123])
    assert back["deep"]["word"] == "á</script>"
    np.testing.assert_array_equal(back["deep"]["list"][0], [1.5, np.nan])


def test_nothing_in_a_block_can_end_the_tag_that_holds_it():
    pack = Pack()
    pack.header["hostile"] = "</script><script>alert(1)</script>"
    assert b"<" not in pack.packed()


@settings(deadline=None)  # speed is measured by hand, never in a test
@given(st.binary(max_size=60))
def test_any_bytes_come_back_from_their_printable_text(data):
    text = printable(data)
    assert from_printable(text) == data
    assert text.isascii()
    assert b"<" not in text


def test_printable_text_is_a_twelfth_shorter_than_base64():
    """16 characters for 13 bytes, against RFC 4648's 4 for 3."""
    assert len(printable(bytes(13_000))) == len(b"13000 ") + 16_000


def test_the_weight_of_values_is_what_they_add_to_a_page_and_never_more_than_the_most():
    rng = np.random.default_rng(2)
    values = np.round(rng.normal(0, 0.12, 100_000) / 0.1) * 0.1
    pack = Pack()
    pack.header["x"] = pack.steps(values, base=-1.0, step=0.05)
    assert weight(values, base=-1.0, step=0.05) == pytest.approx(len(pack.packed()), rel=0.02)
    jumps = rng.uniform(0, 60_000, 10_000)
    assert weight(jumps, base=0.0, step=1.0) <= 1.01 * MOST_BYTES * len(jumps)


def test_a_step_is_half_of_what_the_logger_resolves():
    assert step_of(0.1, -20, 60, 0.02) == 0.05
    assert step_of(0.0, -20, 60, 0.02) == 0.02
    assert step_of(0.0, 0, 1_000_000, 0.02) == 1_000_000 / 65_000


def test_the_moments_of_a_year_of_cycles_are_small_and_stay_within_a_fiftieth_of_a_second():
    edges = np.cumsum(np.random.default_rng(1).normal([1100.0, 130.0], 9.0, (25_000, 2)).ravel())
    pack = Pack()
    pack.header["edge"] = pack.thousandths(edges)
    block = pack.packed()
    assert len(block) < 200_000  # as float64 300 kB, a tenth of what a page may weigh
    np.testing.assert_allclose(unpack(block)["edge"], edges, rtol=0, atol=0.02)


def test_the_measures_of_a_year_of_cycles_come_back_as_the_table_gives_them_for_half_of_their_weight():
    minutes = 18.0 + np.random.default_rng(1).normal(0, 0.15, 25_000)
    minutes[::1000] = np.nan
    pack = Pack()
    pack.header["freeze_min"] = pack.thousandths(minutes)
    block = pack.packed()
    assert len(block) < 65_000  # as float32 123 kB
    np.testing.assert_allclose(unpack(block)["freeze_min"], minutes, rtol=0, atol=0.0005 + 1e-9)


def test_moments_beside_a_long_gap_and_missing_ones_come_back():
    moments = np.array([np.nan, 0.25, 1260.5, np.nan, 40 * 86_400.0, 40 * 86_400.0 + 1200])
    pack = Pack()
    pack.header["start"] = pack.thousandths(moments)
    np.testing.assert_allclose(unpack(pack.packed())["start"], moments, rtol=0, atol=0.3)
