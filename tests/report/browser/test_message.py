"""A message as a mail program shows it: in Chromium, narrow and wide, no script, pictures out of the message itself."""

import base64

import pytest

from tests.delivery.conftest import made_fleet  # noqa: F401 - fixture
from tests.delivery.mail.test_message import files, html_of, opened, written  # noqa: F401 - fixtures

pytestmark = pytest.mark.browser


def test_each_kind_of_message_opens_narrow_or_wide_and_without_a_fault(files, open_page, tmp_path):  # noqa: F811
    for number, path in enumerate(files.values()):
        message = opened(path)
        html = html_of(message)
        for part in message.walk():
            if cid := part["Content-ID"]:
                data = base64.b64encode(part.get_content()).decode()
                html = html.replace(f"cid:{cid.strip('<>')}", f"data:image/png;base64,{data}")
        page = tmp_path / f"{number}.html"
        page.write_text(html, encoding="utf-8")
        shown = open_page(page, width=390, bypass_csp=True)
        for width in (390, 768, 1280):
            shown.page.set_viewport_size({"width": width, "height": 900})
            for scheme in ("light", "dark"):
                shown.page.emulate_media(color_scheme=scheme)
                assert shown.faults() == [], (width, scheme)
            assert shown.page.evaluate("document.documentElement.scrollWidth") <= width
            pictures = shown.page.evaluate(
                "[...document.images].map((i) => [i.complete && i.naturalWidth, i.width])"
            )
            assert pictures
            assert all(natural > 0 and wide > 250 for natural, wide in pictures)
        assert shown.complaints == []
        assert [r for r in shown.requests if not r.startswith("data:")] == [page.as_uri()]
