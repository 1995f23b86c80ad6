import html
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.findings.advice.checks import step_of
from pipeline.findings.finding import Judgement, Severity, Shows
from pipeline.logs.timeline import Problem, Timeline
from pipeline.report.given import given_of
from pipeline.report.numbers.levels import WIDTHS_S
from pipeline.report.options import ReportOptions
from pipeline.report.page.at_a_glance import to_bring
from pipeline.report.wording import Reader
from pipeline.report.writing import write_unit
from pipeline.unit import Unit
from tests.report.made_up import made_up, reported, text
from tests.report.payload.unpack import pack_of

FILES = {
    "report.html",
    "client.html",
    "phases.csv",
    "cycles.csv",
    "findings.json",
    "timeline.parquet",
    "summary.json",
}

EIGHT = (
    "evaporator", "suction", "discharge", "condenser_in", "condenser_out", "ambient", "water_in", "current",
)  # fmt: skip


def written(
    folder: Path, unit, timeline: Timeline, record: CycleRecord, judgement: Judgement, problems=(), **options
) -> str:
    reported(folder, (unit, timeline, record, judgement), problems=problems, options=ReportOptions(**options))
    return (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def made():
    return made_up(days=4, interval_s=20)


@pytest.fixture(scope="module")
def page(made, tmp_path_factory) -> str:
    return written(tmp_path_factory.mktemp("unit"), *made)


def test_every_file_of_a_unit_is_there_and_nothing_else(made, tmp_path):
    written(tmp_path, *made)
    assert {p.name for p in tmp_path.iterdir()} == FILES


def test_times_without_a_known_zone_are_called_the_loggers_own(made, page, tmp_path):
    unit, timeline, *rest = made
    unknown = written(tmp_path, unit, replace(timeline, own_clock=True), *rest)
    assert "the unit's own zone" in html.unescape(page)
    assert "the unit's own zone" not in html.unescape(unknown)
    assert "Times are those of the logger's own clock" in html.unescape(unknown)


def test_the_top_says_who_where_how_long_what_and_what_next(page):
    top = page[page.index("<body>") : page.index('id="findings"')]
    for part in (
        "Harbour deck, cuber 2",
        "Saltmarsh Pavilion",
        "4.0",
        "Ice sticks to the plate",
        "151",
        "Look at the plate for scale",
    ):
        assert part in top


def test_a_technician_reads_what_since_when_why_and_what_first(page):
    told = re.sub(
        r"<[^>]+>|\N{NO-BREAK SPACE}", " ", re.search(r'<p class="technician">(.*?)</p>', page, re.S)[1]
    )
    assert re.search(
        r"\d+ of \d+ harvests stalled\. First seen 19\.5 h into the log\. Likeliest cause: Scale on", told
    )
    assert "First check: Look at the plate for scale." in told


def test_ice_that_cannot_be_told_could_not_be_judged(made, tmp_path):
    unit, timeline, record, judgement = made
    html = written(
        tmp_path,
        unit,
        timeline,
        record,
        replace(judgement, output=replace(judgement.output, ice_kg_per_day=None, made_ice_kg_per_day=None)),
    )
    assert "could not be judged" in html[: html.index('id="findings"')]


def test_what_to_bring_is_each_thing_once_and_as_many_as_the_step_that_needs_most(made):
    judgement = made[3]
    keys = ("air-path", "condenser-air", "circuit-temperatures", "start-gear", "contactor", "leak-test")
    judgement = replace(judgement, steps=tuple(step_of(key, Unit(name="x")) for key in keys))
    assert (
        to_bring(judgement, None, Reader())
        == "thermometer (2); pipe probe with strap and insulation (6); capacitance meter; ohmmeter"
    )
    assert to_bring(judgement, None, Reader(language="es")).startswith("termómetro (2); sonda de tubo")
    noted = tuple(replace(f, severity=Severity.NOTE) for f in judgement.findings)
    assert to_bring(replace(judgement, findings=noted), None, Reader()) == ""


def test_each_finding_has_its_picture_its_numbers_causes_and_checks(page, made):
    articles = re.findall(r"<article.*?</article>", page, re.S)
    assert len(articles) == len(made[3].findings)
    stalled = articles[0]
    assert re.search(r'<svg class="evidence" [^>]*role="img" aria-label="Harvest \d+: 7', stalled)
    for part in (
        "Repair now.",
        "Scale on the evaporator plate",
        "Compare the line before and after",
        "longest",
        "More about these cycles",
        "This is certain.",
    ):
        assert part in stalled


def test_each_chart_has_a_sentence_made_from_the_data(page):
    figures = re.findall(r'<figure class="chart".*?</figure>', page, re.S)
    assert len(figures) == 5
    for figure in figures:
        said = re.sub(r"<[^>]+>", "", re.search(r"<figcaption[^>]*>(.*?)</figcaption>", figure, re.S)[1])
        assert re.search(r"\d", said)
        assert said.rstrip().endswith(".")


def test_what_could_not_be_judged_says_what_it_needs(page):
    assert "warm supply water: a probe on the supply water" in page


def test_the_cycle_explained_is_one_whose_readings_are_trusted(made, tmp_path):
    unit, timeline, record, judgement = made
    middle = record.cycles["cycle"].iloc[12:].astype(int)  # all but the first cycles
    until = record.cycles["freeze_start_ns"].iloc[12]
    line = timeline.get("evaporator")
    doubted = replace(line, trusted=line.trusted & (line.time_ns < until))
    timeline = replace(timeline, channels=tuple(doubted if c is line else c for c in timeline.channels))
    false = replace(judgement.findings[0], cycles=tuple(middle), flag_cycles=True, shows=Shows(doubted=True))
    page = written(tmp_path, unit, timeline, record, replace(judgement, findings=(false,)))
    assert "One cycle of this machine, explained" in page


def test_water_that_cools_is_called_water(made, page, tmp_path):
    unit, *log = made
    cooled = written(tmp_path, unit.model_copy(update={"cooling": "water"}), *log)
    heads = [pack_of(p.encode())["words"]["table.split"] for p in (page, cooled)]
    assert heads == ["Condenser air rise", "Condenser water rise"]


def test_cautions_and_sources_stand_on_the_page(page):
    for part in (
        "Flammable refrigerants",
        "Local codes",
        "probes.csv",
        "Ch 1 evaporator",
        "NIST/SEMATECH e-Handbook 1.3.5.17",
    ):
        assert part in page


def test_without_cautions_of_the_findings_the_page_has_its_own(made, tmp_path):
    unit, timeline, record, judgement = made
    html = written(tmp_path, unit, timeline, record, replace(judgement, cautions=()))
    assert "Isolate the supply" in html
    assert "licensed" in html


HOSTILE = "<script>alert(1)</script>\"><img src=x onerror=alert(1)>\u202e'`${1}</title>"


def test_hostile_names_are_text_everywhere(tmp_path):
    unit, timeline, record, judgement = made_up(
        days=1,
        interval_s=60,
        name="unit",
        title=HOSTILE,
        place=HOSTILE,
        label=HOSTILE.replace("{", "{{").replace("}", "}}"),
    )
    timeline = replace(
        timeline,
        sources=tuple(
            replace(s, name=HOSTILE, notes=(text("-", "{label} is odd", label=HOSTILE),))
            for s in timeline.sources
        ),
    )
    finding = replace(
        judgement.findings[0], title=text("-", "{label} is odd", label=HOSTILE), evidence={"channel": HOSTILE}
    )
    html = written(
        tmp_path,
        unit,
        timeline,
        record,
        replace(judgement, findings=(finding,)),
        [Problem(unit_name="unit", file=HOSTILE, message=HOSTILE)],
    )
    assert "<script>alert" not in html
    assert "<img" not in html
    assert html.count("&lt;script&gt;alert(1)") >= 8


def test_no_path_of_the_machine_is_in_any_file(made, tmp_path):
    written(tmp_path, *made)
    for name in FILES - {"timeline.parquet"}:
        content = (tmp_path / name).read_text(encoding="utf-8")
        for part in (str(tmp_path), str(Path(__file__).parents[3]), str(Path.home()) + "/"):
            assert part not in content, name


def test_the_page_asks_the_network_for_nothing(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)[1].replace("&#39;", "'")
    assert policy.startswith("default-src 'none'")
    assert "unsafe-eval" not in policy
    assert re.fullmatch(r"script-src( 'sha256-[\w+/=]+'){2}", policy.split("; ")[1])
    bare = re.sub(r'<script type="text/plain".*?</script>', "", page, flags=re.S)
    assert not re.search(r"(src|href)=\"(?!#)", bare)
    assert "//" not in re.sub(r"//[ \w].*", "", re.sub(r"<style>.*?</style>", "", bare, flags=re.S))


def test_readings_of_the_log_are_in_the_page_to_half_of_what_the_logger_resolves(made, page):
    _, timeline, _, _ = made
    pack = pack_of(page.encode())
    for channel, put in zip(timeline.channels, pack["channels"], strict=True):
        seen = channel.values[channel.trusted]
        (whole,) = put["windows"]  # at 20 s over four days every reading fits
        assert np.abs(whole["value"] - seen).max() <= channel.resolution / 4 + 1e-6


def test_a_month_at_one_second_fits_and_keeps_every_second_near_the_worst_finding(tmp_path):
    made = made_up(days=30, interval_s=1, roles=EIGHT)
    html = written(tmp_path, *made)
    assert len(html.encode()) < 3_000_000
    pack = pack_of(html.encode())
    stalled = made[2].cycles.loc[made[3].findings[0].cycles[0]]
    begin = (stalled["harvest_start_ns"] - made[1].start_ns) / 1e9
    for put in pack["channels"]:
        assert any(
            w["from"][0] <= begin
            and w["from"][0] + w["every"] * (len(w["value"]) - 1) >= begin + 60
            and w["every"] == 1
            for w in put["windows"]
        )
        assert put["level"]["width"] <= 60


def test_no_peak_of_a_month_is_lost_wherever_the_page_is_coarse_or_fine(tmp_path):
    """Oracle: the readings themselves, bucket by bucket, in the whole log, around the harvests and where all are kept."""
    unit, timeline, record, judgement = made_up(days=30, interval_s=1, roles=EIGHT)
    timeline = replace(timeline, channels=(timeline.get("evaporator"), timeline.get("current")))
    html = written(tmp_path, unit, timeline, record, judgement, page_bytes=2_500_000)
    pack = pack_of(html.encode())
    assert pack["turns"]
    for channel, put in zip(timeline.channels, pack["channels"], strict=True):
        good = channel.trusted & np.isfinite(channel.values)
        time_s, values = (channel.time_ns[good] - timeline.start_ns) / 1e9, channel.values[good]
        spans = np.concatenate([np.arange(a, b, put["turns"]["width"]) for a, b in pack["turns"]])
        for part, first in (
            (put["level"], np.arange(len(put["level"]["low"])) * put["level"]["width"]),
            (put["turns"], spans),
        ):
            assert len(part["low"]) == len(first)
            assert part["width"] in WIDTHS_S
            for k in range(0, len(first), 37):
                i, j = np.searchsorted(time_s, [first[k] - 1e-6, first[k] + part["width"] - 1e-6])
                got = np.array([part["low"][k], part["low"][k] + part["over"][k]])
                if i == j:
                    assert np.isnan(got).all()
                else:
                    want = [values[i:j].min(), values[i:j].max()]
                    np.testing.assert_allclose(got, want, atol=channel.resolution + 1e-6)


def test_a_week_at_ten_seconds_keeps_every_reading_of_eight_channels(tmp_path):
    made = made_up(days=7, interval_s=10, roles=EIGHT)
    html = written(tmp_path, *made)
    for channel, put in zip(made[1].channels, pack_of(html.encode())["channels"], strict=True):
        (whole,) = put["windows"]
        assert len(whole["value"]) == int(channel.trusted.sum())
    assert "this page shows every reading, 10 s apart" in html


def test_readings_at_uneven_times_and_beside_holes_keep_their_times(made, tmp_path):
    unit, timeline, record, judgement = made
    rng = np.random.default_rng(4)
    channels = []
    for n, channel in enumerate(timeline.channels):
        kept = np.ones(len(channel.values), bool)
        kept[2000:2600] = False
        time_ns = channel.time_ns + (rng.integers(0, 9_000, len(kept)) * 1_000_000 if n == 0 else 0)
        channels.append(
            replace(
                channel, time_ns=time_ns[kept], values=channel.values[kept], trusted=channel.trusted[kept]
            )
        )
    html = written(tmp_path, unit, replace(timeline, channels=tuple(channels)), record, judgement)
    for channel, put in zip(channels, pack_of(html.encode())["channels"], strict=True):
        (window,) = put["windows"]
        run = np.searchsorted(window["at"], np.arange(len(window["value"])), side="right") - 1
        due = (
            np.array(window["from"])[run]
            + (np.arange(len(run)) - np.array(window["at"])[run]) * window["every"]
        )
        got = due + window.get("late", 0.0)
        inside = channel.trusted & (channel.time_ns <= timeline.end_ns)
        want = (channel.time_ns[inside] - timeline.start_ns) / 1e9
        np.testing.assert_allclose(got, want, atol=2e-3)


def test_a_name_that_looks_like_a_place_of_the_page_is_left_alone(made, tmp_path):
    unit, *rest = made
    html = written(tmp_path, unit.model_copy(update={"title": "<!--pack--> @@plot@@"}), *rest)
    assert html.count("&lt;!--pack--&gt; @@plot@@") >= 2
    assert len(html) < 3_000_000


def test_a_page_is_thinned_until_it_fits(made, tmp_path):
    html = written(tmp_path, *made_up(days=10, interval_s=2), page_bytes=2_250_000)
    assert len(html.encode()) <= 2_250_000


def test_a_log_without_a_cycle_still_makes_a_page(made, tmp_path):
    unit, timeline, record, judgement = made
    empty = replace(record, cycles=record.cycles.iloc[:0], pattern=False)
    bare = replace(judgement, findings=tuple(replace(f, cycles=()) for f in judgement.findings))
    html = written(tmp_path, unit, timeline, empty, bare)
    assert 'id="plot-log"' in html
    assert 'id="plot-lengths"' not in html


def test_a_log_without_a_reading_still_makes_a_page(made, tmp_path):
    unit, timeline, record, judgement = made
    blank = [
        replace(c, values=np.full(len(c.values), np.nan), trusted=np.zeros(len(c.values), bool))
        for c in timeline.channels
    ]
    html = written(tmp_path, unit, replace(timeline, channels=tuple(blank)), record, judgement)
    assert "Harbour deck" in html


def test_a_log_of_one_reading_still_makes_a_page(made, tmp_path):
    unit, timeline, record, judgement = made
    one = tuple(
        replace(
            c,
            time_ns=c.time_ns[:1],
            values=c.values[:1],
            trusted=c.trusted[:1],
            interval_s=float("nan"),
            resolution=0.0,
        )
        for c in timeline.channels
    )
    short = replace(timeline, channels=one, end_ns=timeline.start_ns)
    phase = replace(record.phases[0], kind=PhaseKind.UNCLEAR, end_ns=timeline.start_ns + 1)
    bare = replace(record, cycles=record.cycles.iloc[:0], phases=(phase,), interval_s=float("nan"))
    html = written(tmp_path, unit, short, bare, replace(judgement, findings=()))
    assert "Nothing was found" in html


def test_harvests_that_could_not_be_timed_are_not_drawn(made, tmp_path):
    unit, timeline, record, judgement = made
    html = written(tmp_path, unit, timeline, replace(record, harvests_timed=False), judgement)
    assert "the log is too coarse to time harvests" in html
    assert 'id="plot-harvests"' not in html


def test_the_reader_chooses_language_and_units(made, tmp_path):
    html = written(tmp_path, *made, language="es", units="us")
    assert '<html lang="es" data-units="us">' in html
    assert "Qué hacer ahora" in html
    assert ">333\N{NO-BREAK SPACE}lb<" in html  # 151 kg ÷ 0.45359237 = 332.9
    assert json.loads((tmp_path / "findings.json").read_text())["language"] == "es"


def test_the_same_input_gives_the_same_bytes(made, tmp_path):
    first, second = (written(tmp_path / n, *made) for n in "ab")
    assert first == second


def test_codes_of_findings_stand_in_files_and_not_on_pages(page, made):
    shown = re.sub(r"<script.*?</script>", "", page, flags=re.S)
    for finding in (*made[3].findings, *made[3].not_judged):
        assert finding.code not in shown, finding.code


def test_visits_are_lines_in_the_charts_and_stand_on_the_page_with_before_and_after(made, tmp_path):
    unit, timeline, record, judgement = made
    visited = unit.model_copy(
        update={"visits": Unit(name="-", visits=[{"on": "2026-03-25", "what": "cleaned"}]).visits}
    )
    given, _ = given_of(visited)
    write_unit(
        tmp_path, unit=visited, timeline=timeline, record=record, judgement=judgement, problems=[], options=ReportOptions(),
        given=given,
    )  # fmt: skip
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    told = re.sub(r"<[^>]+>", "", html).replace("\N{NO-BREAK SPACE}", " ")
    assert "Visit of 25 Mar 2026" in told
    assert re.search(r"A usual freeze took 1\d\.\d min before the visit and 1\d\.\d min after it", told)
    # From 07:00 on 23 March to noon on the 25th, local time, are 53 hours
    assert pack_of(html.encode())["visits"] == [{"at": 53 * 3600}]


def test_earlier_reports_are_told_and_drawn(made, tmp_path):
    unit, timeline, record, judgement = made
    past = (
        {"log_end": "2026-01-10T08:00:00+01:00", "level": "well", "freeze_min": 16.2, "harvest_min": 2.0},
        {"log_end": "2026-02-10T08:00:00+01:00", "level": "watch", "freeze_min": 17.1, "harvest_min": None},
        {
            "log_end": "2026-12-10T08:00:00+01:00",
            "level": "act",
            "freeze_min": 99.0,
        },  # later: no part of the past
    )
    write_unit(
        tmp_path, unit=unit, timeline=timeline, record=record, judgement=judgement, problems=[], options=ReportOptions(),
        past=past,
    )  # fmt: skip
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    told = re.sub(r"<[^>]+>", "", html).replace("\N{NO-BREAK SPACE}", " ")
    assert re.search(r"A freeze: 16\.2 min on 10 Jan 2026, 18\.\d min now", told)
    assert "10 Feb 2026: Look at it on the next visit" in told
    assert "99.0 min" not in told


def test_of_thousands_of_files_some_are_listed_and_the_rest_counted(tmp_path):
    unit, timeline, record, judgement = made_up(days=1, interval_s=60)
    sources = [replace(timeline.sources[0], name=f"hour-{k:04d}.csv") for k in range(3000)]
    names = " + ".join(s.name for s in sources)
    channels = tuple(replace(c, file=names) for c in timeline.channels)
    page = written(
        tmp_path, unit, replace(timeline, sources=tuple(sources), channels=channels), record, judgement
    )
    assert "and 2800 more" in page
    assert "hour-0000.csv + … (2998) … + hour-2999.csv" in page
    assert len(re.findall(r"hour-\d{4}", page)) < 200 + 2 * len(channels) + 1
