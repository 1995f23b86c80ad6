import random
from dataclasses import replace

import pytest

from pipeline.logs.timeline import Problem
from pipeline.report.fleet import write_fleet
from pipeline.report.options import ReportOptions
from pipeline.report.summary import LEVELS, LISTS
from tests.report.test_fleet import HOSTILE
from tests.report.test_summary import summary_of

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def index(tmp_path_factory):
    """500 units of all verdicts, one with a hostile name."""
    chance = random.Random(1)
    folder, base = tmp_path_factory.mktemp("fleet"), (summary_of(), summary_of(well=True))
    units = [
        replace(
            base[n % 2],
            unit=f"unit-{n}",
            title=f"Deck {n}",
            level=LEVELS[n % 5],
            ice_kg_per_day=chance.uniform(80, 200),
            freeze_min=chance.uniform(12, 40),
            trace=tuple(chance.uniform(10, 40) for _ in range(96)),
        )
        for n in range(499)
    ]
    write_fleet(folder, [*units, replace(base[0], unit="hostile", title=HOSTILE)], [], ReportOptions())
    return folder / "index.html"


@pytest.fixture
def fleet(open_page, index):
    opened = open_page(index).drawn()
    yield opened
    opened.page.close()


def names(fleet) -> list[str]:
    return fleet.page.evaluate(
        "() => [...document.querySelectorAll('#units li')].filter((e) => !e.hidden).map((e) => e.querySelector('a').textContent)"
    )


def test_five_hundred_units_open_without_a_complaint_or_a_request(fleet, index):
    assert len(names(fleet)) == 500
    assert fleet.complaints == []
    assert fleet.requests == [index.as_uri()]


def test_the_worst_come_first_and_other_orders_can_be_had(fleet):
    heads = fleet.page.locator(".list > h2").all_inner_texts()
    assert [h.split()[0] for h in heads] == ["Today", "Next", "Leave"]
    assert fleet.page.evaluate(
        "() => [...document.querySelectorAll('.list')].map((e) => e.dataset.list)"
    ) == list(LISTS)
    counts = [len(fleet.page.locator(f"[data-list={name}] li").all()) for name in LISTS]
    assert counts == [101, 200, 199]  # 499 units of five verdicts in turn, and the hostile one, which is bad
    before = names(fleet)
    fleet.page.locator("#sort").select_option("freeze")
    for name in LISTS:
        lengths = fleet.page.evaluate(
            "(name) => [...document.querySelectorAll(`[data-list=${name}] li`)].map((e) => Number(e.dataset.freeze))",
            name,
        )
        assert lengths == sorted(lengths, reverse=True)
    fleet.page.locator("#sort").select_option("worst")
    assert names(fleet) == before


def test_units_are_found_by_name_and_by_what_was_found(fleet):
    fleet.page.locator("#find").fill("deck 49")
    assert set(names(fleet)) == {f"Deck {n}" for n in range(499) if "49" in str(n)}
    fleet.page.locator("#find").fill("did not release deck 40")
    assert names(fleet)
    assert "of 500 shown" in fleet.page.locator("#shown").inner_text()


def test_a_list_in_which_nothing_is_found_is_not_shown(fleet):
    fleet.page.locator("#find").fill("deck 4")
    shown = fleet.page.locator(".list:not([hidden]) > h2 .n").all_inner_texts()
    assert sum(int(n) for n in shown) == len(names(fleet))
    fleet.page.locator("#find").fill("nothing of that name")
    assert fleet.page.locator(".list:not([hidden])").count() == 0


@pytest.mark.parametrize("language", ["en", "es"])
def test_sixty_units_with_45_of_them_due_fit_three_screens_of_a_phone(open_page, tmp_path, language):
    base, well = summary_of(), summary_of(well=True)
    units = [
        replace(
            well if n % 4 == 0 else base,
            unit=f"u{n}",
            title=f"Deck {n}, cuber",
            place=f"Saltmarsh house {n % 7}, kitchen",
            client=("Saltmarsh", "Tidewhistle", "Lantern Houses", "Ferry", "")[n % 5],
            level=("well", "act", "watch", "act")[n % 4],
        )
        for n in range(60)
    ]
    write_fleet(tmp_path, units, [], ReportOptions(language=language))
    opened = open_page(tmp_path / "index.html", width=390).drawn()
    assert opened.page.locator("[data-list=today] li, [data-list=next-visit] li").count() == 45
    bottom = opened.page.evaluate(
        "() => document.getElementById('units').getBoundingClientRect().bottom + scrollY"
    )
    assert bottom <= 3 * 844  # a common phone's window is 390 by 844


def test_units_of_measure_switch(fleet):
    assert "kg" in fleet.page.locator("#units li").first.inner_text()
    fleet.page.locator("input[value=us]").check(force=True)
    assert "lb" in fleet.page.locator("#units li").first.inner_text()


def test_hostile_names_stay_text(fleet):
    assert any(n.startswith('<script>alert("x")</script>') for n in names(fleet))


@pytest.mark.parametrize("language", ["en", "es"])
def test_axe_finds_nothing_wide_or_narrow_light_dark_or_on_paper(open_page, tmp_path, language):
    base = summary_of()
    units = [
        replace(base, unit=level, title=level, level=level, model="harbour slab", client="Ferry")
        for level in LEVELS
    ]
    problem = Problem(unit_name="attic", file="x.csv", message="no row could be read")
    write_fleet(tmp_path, units, [problem], ReportOptions(language=language))
    opened = open_page(tmp_path / "index.html", bypass_csp=True).drawn()
    for width in (390, 768, 1280):
        opened.page.set_viewport_size({"width": width, "height": 900})
        for scheme, media in (("light", "screen"), ("dark", "screen"), ("light", "print")):
            opened.page.emulate_media(color_scheme=scheme, media=media)
            assert opened.faults() == [], (width, scheme, media)
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_is_wider_than_the_window(open_page, index, width):
    opened = open_page(index, width=width).drawn()
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("language", ["en", "es"])
def test_no_word_or_figure_of_sister_machines_is_broken_on_a_phone(open_page, tmp_path, language):
    units = [
        replace(
            summary_of(),
            unit=f"u{n}",
            title=f"Lantern Bar, ice well {n}",
            model="harbour slab",
            made_ice_kg_per_day=95.0,
        )
        for n in range(3)
    ]
    write_fleet(tmp_path, units, [], ReportOptions(language=language))
    page = open_page(tmp_path / "index.html", width=390).page
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    table = page.locator(".alike table")
    heights = table.locator("td.n").evaluate_all("cells => cells.map((c) => c.getClientRects()[0].height)")
    lines = table.locator("td.n").evaluate_all(
        "cells => cells.map((c) => { const r = document.createRange(); r.selectNodeContents(c); return new Set([...r.getClientRects()].map((x) => Math.round(x.top))).size; })"
    )
    assert heights
    assert set(lines) == {1}
    broken = "cells => cells.filter((c) => c.scrollWidth > c.clientWidth).map((c) => c.textContent)"
    assert table.locator("thead th").evaluate_all(broken) == []
