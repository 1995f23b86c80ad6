import pytest

from pipeline.findings.comparison import Log, compare
from pipeline.report.compare import write_compare
from pipeline.report.options import ReportOptions
from tests.report.made_up import made_up

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def compared(tmp_path_factory):
    path = tmp_path_factory.mktemp("compare") / "compare.html"
    unit, *earlier, _ = made_up(days=3, interval_s=20)
    _, *later, _ = made_up(days=3, interval_s=20, well=True, seed=11)
    before, after = (Log(timeline=log[0], record=log[1]) for log in (earlier, later))
    write_compare(
        path, compare(before, after, unit), unit=unit, earlier=before, later=after, options=ReportOptions()
    )
    return path


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (390, True)], ids=["wide", "phone in the dark"])
def test_it_opens_without_a_complaint_or_a_request_and_axe_finds_nothing(open_page, compared, width, dark):
    opened = open_page(compared, width=width, dark=dark, bypass_csp=True)
    assert opened.faults() == []
    assert opened.complaints == []
    assert opened.requests == [compared.as_uri()]
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


def test_its_units_switch(open_page, compared):
    opened = open_page(compared)
    assert "°F" not in opened.page.locator("main").inner_text()
    opened.page.locator("input[value=us]").check(force=True)
    assert "°C" not in opened.page.locator("main").inner_text()
