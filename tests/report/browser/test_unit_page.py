import csv
import io
import re
from dataclasses import replace

import numpy as np
import pytest
from pypdf import PdfReader

from pipeline.report.fleet import write_fleet
from pipeline.report.options import ReportOptions
from pipeline.report.payload.plotting import plotting_script
from pipeline.report.writing import write_unit
from tests.report.made_up import made_up, reported
from tests.report.page.test_page import HOSTILE

pytestmark = pytest.mark.browser

CHARTS = ("log", "lengths", "freezes", "harvests")
VIEW = "() => document.getElementById('plot-log')._fullLayout.xaxis.range.map(Number)"


@pytest.fixture(scope="module")
def opened_week(open_page, unit_page):
    """The page, and the part of the log that it shows at first [s]."""
    opened = open_page(unit_page).drawn()
    return opened, opened.page.evaluate(VIEW)


@pytest.fixture
def week(opened_week):
    """The page as it is when it has just been opened; opening it anew for each test would take minutes."""
    opened, at_first = opened_week
    page = opened.page
    page.locator("input[value=si]").check(force=True)
    page.locator("#only-abnormal").uncheck()
    for tick in page.locator("#keys-log input:not(:checked)").all():
        tick.check()
    if page.evaluate(VIEW) != at_first:
        page.locator("[data-act=whole]").click()
    page.evaluate("() => { document.activeElement.blur(); scrollTo(0, 0); }")
    opened.settled()
    return opened


def test_every_chart_is_drawn_without_a_complaint_and_without_a_request(week, unit_page):
    for name in CHARTS:
        assert week.page.locator(f"#plot-{name} .main-svg").count() >= 1, name
    week.page.locator("[data-act=whole]").click()
    week.settled()
    assert week.complaints == []
    assert week.requests == [unit_page.as_uri()]


def test_plotly_finds_no_fault_in_any_figure(week):
    """Plotly.validate names every attribute that plotly does not know or would not take (unused ones do no harm)."""
    for name in CHARTS:
        faults = week.page.evaluate(
            "(id) => { const p = document.getElementById(id); return (Plotly.validate(p.data, p.layout) ?? []).filter((f) => f.code !== 'unused').map((f) => f.msg); }",
            f"plot-{name}",
        )
        assert faults == [], name


def test_a_stalled_harvest_of_seven_minutes_can_be_seen_in_the_whole_week(week):
    """The highest and the lowest reading drawn are those of the log, and under the ribbon the harvest has its dark mark."""
    drawn = week.page.evaluate(
        """() => { const p = document.getElementById('plot-log'), t = p.data.find((t) => t.name === 'evaporator');
        const y = Array.from(t.y).filter(Number.isFinite); return [Math.min(...y), Math.max(...y), y.length]; }"""
    )
    _, timeline, _, _ = made_up(days=7, interval_s=1)
    values = timeline.get("evaporator").values
    low, high = (
        float(values[timeline.get("evaporator").trusted].min()),
        float(values[timeline.get("evaporator").trusted].max()),
    )
    assert drawn[0] == pytest.approx(low, abs=0.06)
    assert drawn[1] == pytest.approx(high, abs=0.06)
    assert drawn[2] < 20_000
    assert (
        week.page.evaluate(
            "() => document.getElementById('plot-log').data.find((t) => t.name === 'odd').x.length"
        )
        >= 3 * 5
    )


def test_a_finding_is_shown_to_the_second(week):
    week.page.locator("[data-act=show-finding]").first.click()
    week.settled()
    first, last = week.page.evaluate(VIEW)
    assert last - first < 3600
    steps = week.page.evaluate(
        """() => { const t = document.getElementById('plot-log').data.find((t) => t.name === 'evaporator');
        const d = []; for (let i = 1; i < t.x.length; i++) d.push(t.x[i] - t.x[i - 1]); return d.sort((a, b) => a - b)[Math.floor(d.length / 2)]; }"""
    )
    assert steps == pytest.approx(1.0)
    assert "every reading" in week.page.locator("#fineness").inner_text()


def test_the_page_says_how_fine_it_is_drawn_at_each_zoom(week):
    fineness = week.page.locator("#fineness")
    assert re.search(r"lowest and highest reading of each [\d.]+ (s|min)", fineness.inner_text())
    assert (
        "this page shows in some cycles, those of the findings first, every reading (1 s apart); around the harvests"
        in (week.page.locator(".fineness").inner_text())
    )
    for _ in range(6):  # to two hours and a half, a few cycles
        week.page.locator("[data-act=closer]").click()
    week.settled()
    assert re.search(
        r"around the (other )?harvests (lowest and highest )?of each \d s\b", fineness.inner_text()
    )


def test_every_reading_of_a_few_minutes_around_any_harvest_is_within_what_is_drawn(week):
    """Oracle: the log itself. What is drawn around harvests of which no finding speaks holds their every peak."""
    _, timeline, record, judgement = made_up(days=7, interval_s=1)
    channel = timeline.get("evaporator")
    odd = {c for f in judgement.findings for c in f.cycles}
    for number in (n for n in (31, 133, 307) if n not in odd):
        at = (int(record.cycles.loc[number, "harvest_start_ns"]) - timeline.start_ns) / 1e9
        week.page.evaluate(
            "(v) => Plotly.relayout('plot-log', { 'xaxis.range[0]': v - 120, 'xaxis.range[1]': v + 240 })", at
        )
        week.settled()
        x, y = week.page.evaluate(
            """() => { const t = document.getElementById('plot-log').data.find((t) => t.name === 'evaporator');
            return [Array.from(t.x), Array.from(t.y)]; }"""
        )
        x, y = np.array(x, float), np.array(y, float)
        seen = np.isfinite(x) & np.isfinite(y) & (x >= at - 120) & (x <= at + 240)
        time_s = (channel.time_ns - timeline.start_ns) / 1e9
        inside = channel.trusted & (time_s >= at - 120) & (time_s <= at + 240)
        assert y[seen].max() == pytest.approx(channel.values[inside].max(), abs=0.06)
        assert y[seen].min() == pytest.approx(channel.values[inside].min(), abs=0.06)
        assert np.median(np.diff(np.sort(x[seen]))) <= 2.5


def test_a_peak_of_one_second_can_be_seen_in_a_whole_month(open_page, tmp_path):
    unit, timeline, record, judgement = made_up(days=30, interval_s=1, roles=("evaporator",))
    (channel,) = timeline.channels
    values = channel.values.copy()
    values[1_234_567] = 41.0
    spiked = replace(timeline, channels=(replace(channel, values=values),))
    write_unit(
        tmp_path, unit=unit, timeline=spiked, record=record, judgement=judgement, problems=[], options=ReportOptions()
    )  # fmt: skip
    opened = open_page(tmp_path / "report.html").drawn()
    top = opened.page.evaluate(
        """() => { const t = document.getElementById('plot-log').data.find((t) => t.name === 'evaporator');
        return [Math.max(...Array.from(t.y).filter(Number.isFinite)), t.y.length]; }"""
    )
    assert top[0] == pytest.approx(41.0, abs=0.06)
    assert top[1] < 20_000
    assert opened.complaints == []


def test_charts_over_time_zoom_together(week):
    week.page.evaluate(
        "() => Plotly.relayout('plot-lengths', { 'xaxis.range[0]': 100000, 'xaxis.range[1]': 200000 })"
    )
    week.settled()
    for name in ("log", "lengths"):
        got = week.page.evaluate(
            "(id) => document.getElementById(id)._fullLayout.xaxis.range.map(Number)", f"plot-{name}"
        )
        assert got == pytest.approx([100000, 200000]), name


def test_dragging_across_the_log_zooms_it(week):
    before = week.page.evaluate(VIEW)
    box = week.page.locator("#plot-log .nsewdrag").last.bounding_box()
    week.page.locator("#plot-log").scroll_into_view_if_needed()
    box = week.page.locator("#plot-log .nsewdrag").last.bounding_box()
    y = box["y"] + box["height"] / 2
    week.page.mouse.move(box["x"] + box["width"] * 0.3, y)
    week.page.mouse.down()
    week.page.mouse.move(box["x"] + box["width"] * 0.6, y, steps=5)
    week.page.mouse.up()
    week.settled()
    after = week.page.evaluate(VIEW)
    assert after[1] - after[0] == pytest.approx(0.3 * (before[1] - before[0]), rel=0.1)


def test_the_keyboard_moves_and_zooms_the_log(week):
    whole = week.page.evaluate(VIEW)
    week.page.locator("#plot-log").focus()
    week.page.keyboard.press("+")
    week.settled()
    half = week.page.evaluate(VIEW)
    assert half[1] - half[0] == pytest.approx((whole[1] - whole[0]) / 2)
    week.page.keyboard.press("ArrowRight")
    week.settled()
    assert week.page.evaluate(VIEW)[0] > half[0]
    week.page.keyboard.press("0")
    week.settled()
    assert week.page.evaluate(VIEW) == pytest.approx(whole)


def test_the_keyboard_reaches_everything_and_shows_where_it_is(week):
    week.page.locator(".skip").focus()
    week.page.keyboard.press("Tab")
    week.page.keyboard.press("Shift+Tab")  # from here on it is the keyboard that moves the focus
    reached = set()
    for _ in range(60):
        here = week.page.evaluate(
            """() => { const e = document.activeElement, s = getComputedStyle(e.type === 'radio' ? e.nextElementSibling : e);
            return [e.id || e.dataset.act || e.getAttribute('href') || e.name || e.tagName, s.outlineStyle]; }"""
        )
        if here[0] != "BODY":
            assert here[1] != "none", here
        reached.add(here[0])
        week.page.keyboard.press("Tab")
    for name in (
        "#main",
        "units",
        "tone",
        "#findings",
        "show-finding",
        "whole",
        "closer",
        "goto",
        *(f"plot-{c}" for c in CHARTS),
        "only-abnormal",
        "download",
        "cycle-table",
    ):
        assert name in reached, name


def test_units_switch_in_words_pictures_charts_and_table(week):
    week.page.locator("input[value=us]").check(force=True)
    week.settled()
    body = week.page.locator("body").inner_text()
    assert "333\N{NO-BREAK SPACE}lb" in body
    assert "°C" not in week.page.locator("#findings").inner_text()
    assert (
        week.page.evaluate("() => document.getElementById('plot-log')._fullLayout.yaxis.title.text") == "°F"
    )
    low = week.page.evaluate(
        "() => Math.min(...Array.from(document.getElementById('plot-log').data.find((t) => t.name === 'evaporator').y).filter(Number.isFinite))"
    )
    assert low < 15  # about −13 °C
    assert "°F" in week.page.locator("#cycle-table tbody tr").first.inner_text()
    week.page.locator("input[value=si]").check(force=True)
    week.settled()
    assert "151\N{NO-BREAK SPACE}kg" in week.page.locator("body").inner_text()


def first_cells(week, column: int) -> list[str]:
    return [
        r.inner_text() for r in week.page.locator(f"#cycle-table tbody tr td:nth-child({column})").all()[:6]
    ]


def test_the_table_sorts_both_ways_and_says_so(week):
    head = week.page.locator("#cycle-table th button[data-column=freeze_min]")
    head.click()
    assert week.page.locator("#cycle-table th[aria-sort=ascending]").inner_text().startswith("Freeze")
    up = [float(x.split("\N{NO-BREAK SPACE}")[0]) for x in first_cells(week, 3)]
    assert up == sorted(up)
    week.page.keyboard.press("Enter")  # the head kept the focus
    down = [float(x.split("\N{NO-BREAK SPACE}")[0]) for x in first_cells(week, 3)]
    assert down == sorted(down, reverse=True)
    assert down[0] > 30


def test_the_table_shows_only_the_abnormal_ones_and_downloads_them(week):
    week.page.locator("#only-abnormal").check()
    shown = week.page.locator("#cycle-table tbody tr")
    assert shown.count() == week.page.locator("#cycle-table tbody tr.odd").count() > 0
    with week.page.expect_download() as download:
        week.page.locator("[data-act=download]").click()
    text = download.value.path().read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == shown.count()
    assert all(row["flags"] for row in rows)
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d", rows[0]["freeze_start"])
    assert download.value.suggested_filename == "harbour-deck-cycles.csv"
    assert week.complaints == []


def test_a_row_of_the_table_leads_to_its_cycle_in_the_log(week):
    week.page.locator("#cycle-table button[data-cycle='40']").click()
    week.settled()
    first, last = week.page.evaluate(VIEW)
    assert last - first < 7200
    assert "Cycle 41" in week.page.locator("#readout-lengths").inner_text()


def test_hovering_a_length_marks_the_cycle_in_the_log(week):
    week.page.locator("#plot-lengths").scroll_into_view_if_needed()
    x, y = week.page.evaluate(
        """() => { const p = document.getElementById('plot-lengths'), l = p._fullLayout, box = p.getBoundingClientRect();
        return [box.x + l.margin.l + l.xaxis.l2p(p.data[1].x[0]), box.y + l.yaxis._offset + l.yaxis.l2p(p.data[1].y[0])]; }"""
    )
    week.page.mouse.move(x - 30, y + 20)
    week.page.mouse.move(x, y, steps=4)
    week.settled()
    assert re.search(
        r"Cycle 40 · .* · freeze.3\d\.\d.min · .* · long freezes",
        week.page.locator("#readout-lengths").inner_text(),
    )
    assert week.page.evaluate(
        "() => document.getElementById('plot-log').layout.shapes.some((s) => s.line?.dash === 'dot')"
    )


def test_a_moment_can_be_followed_through_all_charts_over_time(week):
    week.page.locator("#plot-lengths").scroll_into_view_if_needed()
    box = week.page.locator("#plot-lengths").bounding_box()
    week.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 60)
    week.settled()
    shown = week.page.locator(".hair").evaluate_all("(all) => all.map((e) => [e.hidden, e.style.left])")
    assert [hidden for hidden, _ in shown] == [False, True]
    assert shown[0][1]
    assert "evaporator" in week.page.locator("#readout-log").inner_text()


def test_channels_can_be_hidden(week):
    tick = week.page.locator("#keys-log label", has_text="discharge line").locator("input")
    tick.uncheck()
    week.settled()
    assert (
        week.page.evaluate(
            "() => document.getElementById('plot-log').data.find((t) => t.name === 'discharge line').visible"
        )
        is False
    )


def test_phases_are_one_ribbon_under_the_curves(week):
    """Each phase is as long in the ribbon as in the record, and below every panel of channels."""
    seconds, panels = week.page.evaluate(
        """() => { const p = document.getElementById('plot-log'), t = p.data.find((t) => t.line?.width === 9), l = p._fullLayout;
        let sum = 0; for (let i = 0; i < t.x.length; i += 3) sum += t.x[i + 1] - t.x[i];
        return [sum, [l.yaxis, l.yaxis2, l.yaxis3].map((a) => a?.domain[1])]; }"""
    )
    _, _, record, _ = made_up(days=7, interval_s=1)
    freezes = sum((p.end_ns - p.start_ns) / 1e9 for p in record.phases if p.kind == "freeze")
    assert seconds == pytest.approx(freezes, rel=1e-3)
    assert panels == sorted(panels, reverse=True)


def test_a_swipe_scrolls_the_page_and_two_fingers_zoom(open_page, unit_page):
    opened = open_page(unit_page, width=390, has_touch=True, is_mobile=True).drawn()
    assert opened.page.evaluate("() => document.getElementById('plot-log')._fullLayout.dragmode") is False
    opened.page.locator("#plot-log").scroll_into_view_if_needed()
    box = opened.page.locator("#plot-log").bounding_box()
    whole, at = opened.page.evaluate(VIEW), opened.page.evaluate("scrollY")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    touch = opened.page.context.new_cdp_session(opened.page)

    def send(kind, *fingers):
        points = [{"x": a, "y": b, "id": n} for n, (a, b) in enumerate(fingers)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    send("touchStart", (x, y))
    for step in range(1, 9):
        send("touchMove", (x, y - 20 * step))
    send("touchEnd")
    opened.page.wait_for_timeout(300)
    assert opened.page.evaluate("scrollY") > at + 60
    assert opened.page.evaluate(VIEW) == whole
    box = opened.page.locator("#plot-log").bounding_box()
    y = box["y"] + box["height"] / 2
    send("touchStart", (x - 20, y), (x + 20, y))
    for step in range(1, 9):
        send("touchMove", (x - 20 - 5 * step, y), (x + 20 + 5 * step, y))
    send("touchEnd")
    for _ in range(50):  # a machine that does much else draws late
        opened.settled()
        if opened.page.evaluate(VIEW) != whole:
            break
    first, last = opened.page.evaluate(VIEW)
    assert last - first == pytest.approx((whole[1] - whole[0]) / 3, rel=0.1)  # 40 px became 120
    assert opened.complaints == []


@pytest.mark.parametrize("language", ["en", "es"])
def test_axe_finds_nothing_wide_or_narrow_light_dark_or_on_paper(open_page, tmp_path, language):
    """On a short log: axe looks at every element, and a week has thousands of cells that are all alike."""
    reported(tmp_path, days=0.75, interval_s=60, options=ReportOptions(language=language))
    opened = open_page(tmp_path / "report.html", bypass_csp=True).drawn()
    looks = (("light", "screen"), ("dark", "screen"), ("light", "print"))
    widths = {"en": (1280, 390, 768), "es": (390, 768, 1280)}[language]  # each look at two widths
    for width, (scheme, media) in zip(widths, looks, strict=True):
        opened.page.set_viewport_size({"width": width, "height": 900})
        opened.page.emulate_media(color_scheme=scheme, media=media)
        opened.settled()
        assert opened.faults() == [], (width, scheme, media)


def test_whatever_can_be_pressed_is_large_enough(week):
    """WCAG 2.2, success criterion 2.5.8: 24 by 24 CSS pixels, or that far from the next target; links within a
    sentence are exempt."""
    small = week.page.evaluate(
        """() => [...document.querySelectorAll('button, select, summary, .choice label, .check, nav a')].filter((e) => {
          const b = e.getBoundingClientRect(); return b.width > 0 && (b.height < 24 || b.width < 24) && !e.closest('#cycle-table'); })
          .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect().width, e.getBoundingClientRect().height])"""
    )
    assert small == []
    rows = week.page.evaluate(
        "() => [...document.querySelectorAll('#cycle-table tbody button')].slice(0, 20).map((e) => e.getBoundingClientRect().top + e.getBoundingClientRect().height / 2)"
    )
    assert np.diff(rows).min() >= 24


def test_nothing_is_wider_than_the_window(week):
    for width in (390, 768, 1280):
        week.page.set_viewport_size({"width": width, "height": 900})
        week.page.wait_for_timeout(400)
        assert week.page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints_on_paper_with_no_chart_cut(week, tmp_path, paper):
    """A chart's name, its sentence and its last axis stand on one page; nothing shrinks the page."""
    week.page.pdf(path=tmp_path / "p.pdf", format=paper)
    reader = PdfReader(tmp_path / "p.pdf")
    pages = [p.extract_text() for p in reader.pages]
    assert 6 <= len(pages) <= 12
    width = {"A4": 595, "Letter": 612}[paper]
    assert round(float(reader.pages[0].mediabox.width)) == pytest.approx(width, abs=2)
    for name, last in (
        ("Freezes laid over each other", "minutes since the freeze began"),
        ("Harvests laid over each other", "minutes since hot gas came on"),
        ("Day by day", "18:00"),
    ):
        assert any(name in text and last in text.split(name)[1] for text in pages), name
    whole = "\n".join(pages)
    assert "Before you open the machine" in whole
    assert "Download as CSV" not in whole
    sizes = []
    reader.pages[0].extract_text(
        visitor_text=lambda t, cm, tm, fd, size: (
            sizes.append(abs(size * tm[3] * cm[3])) if t.strip() else None
        )
    )
    assert max(sizes) > 14  # points: the verdict's own size, not shrunk


def test_the_head_of_the_table_is_words_on_paper_so_that_each_sheet_can_repeat_it(week):
    """Chromium leaves buttons out of a head that it repeats."""
    week.page.emulate_media(media="print")
    heads = week.page.locator("#cycle-table th")
    assert [h.inner_text() for h in heads.all()][:2] == ["Cycle", "Freeze began"]
    assert not any(b.is_visible() for b in heads.locator("button").all())
    week.page.emulate_media(media="screen")
    assert heads.locator("button").first.is_visible()


def test_a_log_of_hundreds_of_abnormal_cycles_prints_on_few_pages(open_page, tmp_path):
    unit, timeline, record, judgement = made_up(days=7, interval_s=30)
    every = tuple(int(n) for n in record.cycles.cycle)
    all_long = tuple(replace(f, cycles=every) if f.code == "freeze-long" else f for f in judgement.findings)
    reported(tmp_path, (unit, timeline, record, replace(judgement, findings=all_long)))  # fmt: skip
    opened = open_page(tmp_path / "report.html").drawn()
    opened.page.pdf(path=tmp_path / "p.pdf", format="A4")
    assert len(every) > 400
    assert len(PdfReader(tmp_path / "p.pdf").pages) <= 12


def test_printing_from_the_dark_gives_light_pages_and_the_screen_stays_dark(week):
    week.page.locator("[data-act=tone]").click()
    assert week.page.evaluate("isDark()")
    week.page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
    assert not week.page.evaluate("isDark()")
    week.page.evaluate("() => dispatchEvent(new Event('afterprint'))")
    assert week.page.evaluate("isDark()")
    week.page.locator("[data-act=tone]").click()


def test_hostile_names_stay_text_in_the_browser(open_page, tmp_path):
    label = HOSTILE.replace("{", "{{").replace("}", "}}")
    reported(tmp_path, days=1, interval_s=30, title=HOSTILE, place=HOSTILE, label=label)
    opened = open_page(tmp_path / "report.html")
    dialogs = []
    opened.page.on("dialog", lambda d: (dialogs.append(d.message), d.dismiss()))
    opened.drawn()
    assert HOSTILE.split("\u202e")[0] in opened.page.locator("h1").inner_text()
    assert HOSTILE.split("\u202e")[0] in opened.page.locator("#method").inner_text()
    assert opened.page.locator("img").count() == 0
    assert dialogs == []
    assert opened.complaints == []


def test_without_scripts_the_words_pictures_and_numbers_are_all_there(open_page, unit_page):
    opened = open_page(unit_page, java_script_enabled=False)
    body = opened.page.locator("body").inner_text()
    for part in (
        "Ice sticks to the plate",
        "What to do next",
        "The charts move only where scripts may run",
        "longest harvest",
    ):
        assert part in body
    assert opened.page.locator(".proof svg").count() == 3
    assert opened.page.locator(".plot svg.sketch").count() == 4
    assert opened.page.locator("svg.icicles, svg.ribbons").count() == 2
    assert not opened.page.locator("[data-act=download]").is_visible()


def test_ticks_of_the_time_axis_are_on_the_unit_s_clock(week):
    """29 March 2026, 02:00 becomes 03:00 in Madrid: the axis steps over the hour that was not there."""
    begin = week.page.evaluate("() => document.getElementById('plot-log')._fullLayout.xaxis.range[0]")
    assert (
        begin == 0
    )  # the log starts on 23 March, 07:00 local; 01:00 UTC on the 29th is 5 days and 19 hours later
    change = (5 * 24 + 19) * 3600
    week.page.evaluate(
        "(at) => Plotly.relayout('plot-log', { 'xaxis.range[0]': at - 7200, 'xaxis.range[1]': at + 7200 })",
        change,
    )
    week.settled()
    names = week.page.evaluate(
        "() => document.getElementById('plot-log').layout.xaxis.ticktext.map((t) => t.slice(0, 5))"
    )
    hours = [n for n in names if n.endswith(":00")]
    assert "01:00" in hours
    assert "03:00" in hours
    assert "02:00" not in hours


def test_a_log_without_a_cycle_or_without_a_reading_is_drawn_without_a_complaint(open_page, tmp_path):
    unit, timeline, record, judgement = made_up(days=1, interval_s=60)
    bare = replace(judgement, findings=tuple(replace(f, cycles=()) for f in judgement.findings))
    blank = tuple(
        replace(c, values=np.full(len(c.values), np.nan), trusted=np.zeros(len(c.values), bool))
        for c in timeline.channels
    )
    for name, log in (("cycles", timeline), ("readings", replace(timeline, channels=blank))):
        reported(tmp_path / name, (unit, log, replace(record, cycles=record.cycles.iloc[:0]), bare))
        opened = open_page(tmp_path / name / "report.html").drawn()
        assert opened.page.locator("#plot-log .main-svg").count() >= 1, name
        opened.page.locator("[data-act=closer]").click()
        opened.page.locator("input[value=us]").check(force=True)
        opened.settled()
        assert opened.complaints == [], name


def test_a_slow_log_says_that_every_reading_is_drawn_only_when_it_is(open_page, tmp_path):
    """11,520 readings a channel are more than are drawn at once; a day of them is not."""
    reported(tmp_path, days=8, interval_s=60)
    opened = open_page(tmp_path / "report.html").drawn()
    said = opened.page.locator("#fineness")
    assert re.search(r"lowest and highest reading of each \d+ min", said.inner_text())
    opened.page.evaluate(
        "() => Plotly.relayout('plot-log', { 'xaxis.range[0]': 86400, 'xaxis.range[1]': 172800 })"
    )
    opened.settled()
    assert "every reading, 1 min apart" in said.inner_text()
    first = opened.page.evaluate(
        """() => { const t = document.getElementById('plot-log').data.find((t) => t.name === 'evaporator');
        return Array.from(t.x).filter((x) => x >= 86400 && x < 90000); }"""
    )
    assert first == [86400 + 60 * n for n in range(60)]


def test_units_of_a_fleet_can_share_one_library_beside_the_fleet_page(open_page, tmp_path):
    unit, timeline, record, judgement = made_up(days=1, interval_s=60)
    options = ReportOptions(shared_library=True)
    summary = write_unit(
        tmp_path / unit.name, unit=unit, timeline=timeline, record=record, judgement=judgement, problems=[], options=options
    )  # fmt: skip
    write_fleet(tmp_path, [summary], [], options)
    path = tmp_path / unit.name / "report.html"
    assert path.stat().st_size < 500_000
    opened = open_page(path).drawn()
    assert opened.page.locator("#plot-log .main-svg").count() >= 1
    assert opened.complaints == []
    assert opened.requests == [path.as_uri(), (tmp_path / "plotting.js").as_uri()]


def test_a_page_that_was_to_share_the_library_is_whole_once_it_was_put_in(open_page, tmp_path):
    reported(tmp_path, days=1, interval_s=60, options=ReportOptions(shared_library=True))  # fmt: skip
    path = tmp_path / "sent.html"
    path.write_bytes(plotting_script().made_whole((tmp_path / "report.html").read_bytes()))
    opened = open_page(path).drawn()
    assert opened.requests == [path.as_uri()]
    assert opened.complaints == []
