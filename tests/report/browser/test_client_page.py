import pytest
from pypdf import PdfReader

from pipeline.report.given import Given
from pipeline.report.options import ReportOptions
from tests.report.made_up import reported
from tests.report.page.test_client import FIRM, VISIT

pytestmark = pytest.mark.browser

PIXEL = "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAQAAAC1HAwCAAAAC0lEQVR42mNk+A8AAQUBAScY42YAAAAASUVORK5CYII="


LOGO = "data:image/svg+xml;base64,PHN2ZyB4bWxucz0iaHR0cDovL3d3dy53My5vcmcvMjAwMC9zdmciIHdpZHRoPSIyMDAiIGhlaWdodD0iODAiLz4="
HEAD = {"logo": LOGO, "email": "service.desk@saltmarsh-refrigeration.example"}  # each as wide as they come


@pytest.fixture(scope="module", params=["en", "es"])
def client_page(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("client")
    given = Given(firm=FIRM | HEAD, visits=(VISIT | {"photos": [{"src": PIXEL, "alt": "the coil"}]},))
    reported(folder, days=7, interval_s=30, options=ReportOptions(language=request.param), given=given)
    return folder / "client.html"


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 768, 1280])
def test_it_opens_without_a_complaint_or_a_request_and_axe_finds_nothing(open_page, client_page, width, dark):
    opened = open_page(client_page, width=width, dark=dark, bypass_csp=True)
    assert opened.faults() == []
    assert opened.complaints == []
    assert [r for r in opened.requests if not r.startswith("data:")] == [client_page.as_uri()]
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints_on_two_sheets(open_page, client_page, tmp_path, paper):
    open_page(client_page).page.pdf(path=tmp_path / "p.pdf", format=paper)
    assert len(PdfReader(tmp_path / "p.pdf").pages) <= 2


def test_it_is_whole_where_no_script_may_run(open_page, client_page):
    page = open_page(client_page, java_script_enabled=False).page
    assert page.locator("svg.icicles, svg.ribbons").count() == 2
    assert page.locator("img").count() == 2  # the firm's mark and the photograph


@pytest.mark.parametrize("width", [768, 1280])
def test_no_line_of_the_firms_head_is_broken_where_there_is_room(open_page, client_page, width):
    for line in open_page(client_page, width=width).page.locator(".head .firm span > *").all():
        assert line.evaluate("line => line.getClientRects().length") == 1, line.inner_text()
