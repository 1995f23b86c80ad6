"""Pages in headless Chromium, with everything that went wrong in them, and every request that left them, written down."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from axe_core_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from tests.report.made_up import reported

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip

PATIENCE_MS = 300_000  # however busy the machine is


@dataclass
class Opened:
    """A page in the browser. complaints: console errors and exceptions; requests: every address that was asked for."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def drawn(self) -> Opened:
        """All charts are there. Asked from outside: the page's own policy forbids a script that waits inside it."""
        for _ in range(PATIENCE_MS // 100):
            if self.page.evaluate("document.documentElement.dataset.drawn"):
                return self
            self.page.wait_for_timeout(100)
        raise TimeoutError("the charts were not drawn within five minutes")

    def faults(self) -> list[tuple[str, str]]:
        """Everything that axe finds fault with: its rule, and the first place. The page must be open without its policy."""
        only = {"resultTypes": ["violations"]}  # else most of the time goes into describing what is right
        found = Axe().run(self.page, options=only)["violations"]
        return [(v["id"], v["nodes"][0]["html"][:200]) for v in found]

    def settled(self) -> None:
        """Two frames later: what a click set off has been drawn."""
        self.page.evaluate(
            "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
        )
        self.page.wait_for_timeout(60)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    found = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if not found:
        pytest.fail("Chromium is missing: install Debian's package (apt-get install chromium)")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, headless=True, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def open_page(chromium: Browser) -> Iterator[Callable[..., Opened]]:
    """Opens a file in a context of its own, closed when the module's tests are done; options as Playwright names them."""
    contexts = []

    def open_(path: Path, *, width: int = 1280, dark: bool = False, **options) -> Opened:
        context = chromium.new_context(
            viewport={"width": width, "height": 900},
            color_scheme="dark" if dark else "light",
            accept_downloads=True,
            **options,
        )
        context.set_default_timeout(PATIENCE_MS)  # waits end as soon as what they wait for is there
        contexts.append(context)
        opened = Opened(page=context.new_page())
        opened.page.on(
            "console", lambda m: opened.complaints.append(m.text) if m.type in ("error", "warning") else None
        )
        opened.page.on("pageerror", lambda e: opened.complaints.append(str(e)))
        opened.page.on("request", lambda r: opened.requests.append(r.url))
        opened.page.goto(path.as_uri())
        return opened

    yield open_
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def unit_page(tmp_path_factory) -> Path:
    """A week at 1 s, with findings."""
    folder = tmp_path_factory.mktemp("week")
    reported(folder, days=7, interval_s=1)
    return folder / "report.html"
