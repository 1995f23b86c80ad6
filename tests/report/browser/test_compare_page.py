import pytest

from pipeline.findings.comparison import SegmentedLog, compare
from pipeline.report.compare import write_compare
from pipeline.report.options import ReportOptions
from tests.report.made_up import made_up

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module", params=["en", "es"])
def compared(tmp_path_factory, request):
    path = tmp_path_factory.mktemp("compare") / "compare.html"
    unit, *earlier, _ = made_up(days=3, interval_s=20)
    _, *later, _ = made_up(days=3, interval_s=20, well=True, seed=11)
    before, after = (SegmentedLog(timeline=log[0], record=log[1]) for log in (earlier, later))
    options = ReportOptions(language=request.param)
    write_compare(path, compare(before, after, unit), unit=unit, earlier=before, later=after, options=options)
    return path


@pytest.mark.parametrize("width", [390, 768, 1280])
def test_it_opens_without_a_complaint_or_a_request_and_axe_finds_nothing(open_page, compared, width):
    opened = open_page(compared, width=width, bypass_csp=True)
    for scheme, media in (("light", "screen"), ("dark", "screen"), ("light", "print")):
        opened.page.emulate_media(color_scheme=scheme, media=media)
        assert opened.faults() == [], (scheme, media)
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
    assert opened.complaints == []
    assert opened.requests == [compared.as_uri()]


def test_its_heading_says_better_or_worse(open_page, compared):
    words = {"en": "Neither better nor worse", "es": "Ni mejor ni peor"}
    opened = open_page(compared)
    language = opened.page.locator("html").get_attribute("lang")
    assert opened.page.locator("#verdict").inner_text().startswith(words[language])


def test_bars_keep_their_proportion_on_a_phone(open_page, compared):
    shares = []
    for width in (390, 1280):
        bars = open_page(compared, width=width).page.locator(".bars .bar").all()
        lengths = [bar.evaluate("bar => bar.getBoundingClientRect().width") for bar in bars]
        shares.append([round(a / b, 2) for a, b in zip(lengths[::2], lengths[1::2], strict=True)])
    assert shares[0] == pytest.approx(shares[1], abs=0.02)
    assert any(share != 1 for share in shares[0])


def test_its_units_switch(open_page, compared):
    opened = open_page(compared)
    assert "°F" not in opened.page.locator("main").inner_text()
    opened.page.locator("input[value=us]").check(force=True)
    assert "°C" not in opened.page.locator("main").inner_text()


def test_printed_its_parts_stand_under_each_other(open_page, compared):
    page = open_page(compared, width=700).page  # a sheet of A4 without its margins
    page.emulate_media(media="print")
    boxes = [h.bounding_box() for h in page.locator("main section > h2").all()]
    assert len({box["x"] for box in boxes}) == 1
