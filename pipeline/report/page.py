"""The page of one unit: the client reads its top third, the technician the rest."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.findings.finding import Finding, Judgement, Severity
from pipeline.logs.timeline import Channel, Problem, Timeline
from pipeline.report import charts, svg
from pipeline.report.clock import Offsets, offsets_between
from pipeline.report.days import KINDS, Days, days_of
from pipeline.report.evidence import evidence
from pipeline.report.limits import Limits, limits_of
from pipeline.report.levels import trusted_readings
from pipeline.report.machine_files import cycle_flags
from pipeline.report.method import method_of
from pipeline.report.overlay import Overlay, overlay
from pipeline.report.pack import Pack
from pipeline.report.plotting import plotting_script
from pipeline.report.rendering import PACK_MARK, PLOT_MARK, render
from pipeline.report.summary import UnitSummary
from pipeline.report.trend import trend_of
from pipeline.report.wording import Reader
from pipeline.unit import Unit

DETAIL = charts.Detail(buckets=330_000, readings=160_000)
LEAST_USUAL = 8  # cycles for limits of their own
MOST_STEPS = 5  # in "what to do next"
STYLES = ("base.css", "unit.css", "paper.css")
SCRIPTS = ("switches.js", "unpack.js", "clock.js", "draw.js", "log.js", "cycles.js", "table.js", "start.js")
_COMB = 320  # ticks of the row of freezes


def unit_page(
    *,
    unit: Unit,
    timeline: Timeline,
    record: CycleRecord,
    judgement: Judgement,
    problems: Sequence[Problem],
    summary: UnitSummary,
    reader: Reader,
    page_bytes: int,
) -> bytes:
    """The whole page as UTF-8, no longer than `page_bytes`: charts are thinned until it fits."""
    offsets = offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns)
    flags = cycle_flags(judgement.findings)
    abnormal = set(flags)
    stuck = {n for n, codes in flags.items() if any(c.startswith("harvest-") for c in codes)}
    slow = {n for n, codes in flags.items() if any(not c.startswith("harvest-") for c in codes)}
    freezes = overlay(timeline, record, start="freeze_start_ns", end="harvest_start_ns", abnormal=slow)
    harvests = overlay(timeline, record, start="harvest_start_ns", end="harvest_end_ns", abnormal=stuck)
    days = days_of(record, offsets)
    limits = {name: _limits(record, name, judgement, odd) for name, odd in (("freeze_min", slow), ("harvest_min", stuck))}
    script = plotting_script()
    detail = DETAIL
    while True:
        pack = Pack()
        drawn = charts.put_log(pack, timeline, record, judgement, detail, reader)
        charts.put_cycles(pack, timeline, record, flags, limits)
        charts.put_overlay(pack, "freeze", freezes)
        charts.put_overlay(pack, "harvest", harvests)
        charts.put_days(pack, timeline, days, _kg_per_cycle(judgement))
        charts.put_marks(pack, timeline, record, judgement, reader)
        charts.put_clock(pack, offsets, timeline)
        pack.header |= _for_scripts(unit, reader)
        html = render(
            "unit.html",
            reader=reader,
            styles=STYLES,
            scripts=SCRIPTS,
            more_hashes=(script.integrity,),
            unit=unit,
            summary=summary,
            level=judgement.verdict.level,
            verdict=judgement.verdict,
            facts=_facts(timeline, record, judgement, summary, offsets, reader),
            comb=_comb(record, abnormal, reader),
            steps=_next_steps(judgement),
            trend=trend_of(summary, reader),
            findings=[
                _finding(n, f, evidence(f, timeline=timeline, record=record, freezes=freezes, harvests=harvests, offsets=offsets, reader=reader), offsets, reader)
                for n, f in enumerate(judgement.findings)
            ],
            not_judged=judgement.not_judged,
            problems=problems,
            charts=_figures(timeline, record, judgement, summary, freezes, harvests, days, limits, reader),
            drawn=_finest(drawn, reader),
            method=method_of(unit=unit, timeline=timeline, record=record, judgement=judgement, offsets=offsets, reader=reader),
            cautions=judgement.cautions,
            pack_mark=PACK_MARK,
            plot_mark=PLOT_MARK,
        ).encode()
        page = html.replace(PACK_MARK.encode(), pack.packed()).replace(PLOT_MARK.encode(), script.packed)
        if len(page) <= page_bytes or detail.buckets < 4_000:
            return page
        detail = charts.Detail(buckets=detail.buckets // 2, readings=detail.readings // 2)


def _limits(record: CycleRecord, column: str, judgement: Judgement, odd: set[int]) -> Limits:
    """The limits that the cycles were judged by, where a finding tells them; else from the cycles that nobody objects to."""
    kind = column.removesuffix("_min")
    for finding in judgement.findings:
        told = finding.evidence
        if finding.code.startswith(f"{kind}-") and {"usual_min", "usual_low_min", "usual_high_min"} <= told.keys():
            return Limits(centre=float(told["usual_min"]), low=float(told["usual_low_min"]), high=float(told["usual_high_min"]))
    table = record.cycles
    sampling = table["uncertainty_min"].to_numpy(dtype=float)
    known = sampling[np.isfinite(sampling)]
    numbers = (table["cycle"] if "cycle" in table.columns else table.index).to_numpy()
    whole = ~table["broken"].to_numpy().astype(bool) if "broken" in table.columns else np.ones(len(table), bool)
    usual = whole & ~np.isin(numbers, list(odd))
    lengths = table[column].to_numpy(dtype=float)
    chosen = lengths[usual] if np.isfinite(lengths[usual]).sum() >= LEAST_USUAL else lengths[whole]
    return limits_of(chosen, sampling_min=float(np.median(known)) / 1.645 if len(known) else 0.0)


def _kg_per_cycle(judgement: Judgement) -> float | None:
    output = judgement.output
    if not output.ice_kg_per_day or not output.cycles_per_day:
        return None
    return round(output.ice_kg_per_day / output.cycles_per_day, 4)


def _for_scripts(unit: Unit, reader: Reader) -> dict[str, Any]:
    wanted = ("chart.", "table.", "phase.", "duration.", "calendar.", "number.", "findings.show", "severity.", "word.", "picture.minutes")
    return {
        "words": {k: v for k, v in reader.words.items() if k.startswith(wanted)},
        "units": reader.units,
        "lang": reader.language,
        "file": re.sub(r"[^\w.-]+", "-", unit.name)[:80] + "-cycles.csv",
        "expected": {"freeze_min": list(unit.expected_freeze_min), "harvest_min": list(unit.expected_harvest_min)},
        "kinds": [k.value for k in KINDS],
    }


def _facts(timeline: Timeline, record: CycleRecord, judgement: Judgement, summary: UnitSummary, offsets: Offsets, reader: Reader) -> list[dict[str, Any]]:
    """The few figures at the top: name, value, what it rests on."""
    t, output = reader.t_html, judgement.output
    first, last = reader.moment(timeline.start_ns, offsets), reader.moment(timeline.end_ns, offsets)
    facts = [
        {
            "name": t("page.logged"),
            "value": t("page.logged_value", log_days=summary.days),
            "note": t("page.logged_span", first=first, last=last, zone=timeline.time_zone),
        }
    ]
    if output.ice_kg_per_day is not None:
        notes = []
        if output.ice_kg_per_day_low is not None and output.ice_kg_per_day_high is not None:
            notes.append(t("page.ice_range", low_whole_kg=output.ice_kg_per_day_low, high_whole_kg=output.ice_kg_per_day_high))
        if output.basis:
            notes.append(reader.say_html(output.basis))
        if output.expected_kg_per_day is not None:
            notes.append(t("page.ice_expected", expected_whole_kg=output.expected_kg_per_day))
        facts.append({"name": t("page.ice"), "value": _amount(output.ice_kg_per_day, reader), "note": Markup("; ").join(notes)})
    else:
        note = reader.say_html(output.basis) if output.basis else t("page.ice_missing")
        facts.append({"name": t("page.ice"), "value": t("page.not_judged"), "note": note, "quiet": True})
    if summary.cycles:
        rate = t("page.cycles_rate", cycles_per_day=output.cycles_per_day) if output.cycles_per_day is not None else ""
        facts.append({"name": t("page.cycles"), "value": t("page.cycles_value", count=summary.cycles), "note": rate})
    for name, column, value in (("freeze", "freeze_min", summary.freeze_min), ("harvest", "harvest_min", summary.harvest_min)):
        if value is not None:
            low, high = _middle_nine_tenths(record, column)
            facts.append({"name": t(f"page.{name}"), "value": reader.show_html(column, value), "note": t("page.typical_spread", low_min=low, high_min=high)})
        elif name == "harvest" and not record.harvests_timed:
            facts.append({"name": t("page.harvest"), "value": t("page.not_judged"), "note": t("page.harvest_coarse"), "quiet": True})
    if summary.idle_share:
        facts.append({"name": t("page.off"), "value": t("page.off_value", off_pct=100 * summary.idle_share), "note": t("page.off_note")})
    return facts


def _amount(kg_per_day: float, reader: Reader) -> Markup:
    """kg (or lb), without "a day": the name beside it says that."""
    return reader.show_html("ice_whole_kg", kg_per_day)


def _middle_nine_tenths(record: CycleRecord, column: str) -> tuple[float, float]:
    table = record.cycles
    values = table[column].to_numpy(dtype=float)[table["complete"].to_numpy().astype(bool)]
    low, high = np.percentile(values[np.isfinite(values)], [5, 95])
    return float(low), float(high)


def _next_steps(judgement: Judgement) -> list:
    """The first check of each finding that asks for one, worst first; then the second ones, as far as they go."""
    asking = [f for f in judgement.findings if f.severity != Severity.NOTE] or list(judgement.findings)
    steps, seen = [], set()
    for turn in range(2):
        for finding in asking:
            if turn < len(finding.next_checks):
                text = finding.next_checks[turn]
                if text.key not in seen:
                    seen.add(text.key)
                    steps.append(text)
        if len(steps) >= 3:
            break
    return steps[:MOST_STEPS]


def _comb(record: CycleRecord, abnormal: set[int], reader: Reader) -> dict[str, Any] | None:
    """Every freeze as one tick, its height its length: the log at one glance."""
    table = record.cycles
    numbers = (table["cycle"] if "cycle" in table.columns else table.index).to_numpy()
    lengths = table["freeze_min"].to_numpy(dtype=float)
    seen = np.isfinite(lengths)
    numbers, lengths = numbers[seen], lengths[seen]
    if len(lengths) < 3:
        return None
    odd = np.isin(numbers, list(abnormal))
    groups = np.array_split(np.arange(len(lengths)), min(len(lengths), _COMB))
    width, height, pitch = 960.0, 40.0, 960.0 / len(groups)
    top = float(lengths.max())
    plain, marked = [], []
    for n, group in enumerate(groups):
        x, tall = n * pitch + pitch / 2, float(lengths[group].max()) / top * (height - 2)
        (marked if odd[group].any() else plain).append(f"M{x:.1f} {height:.0f}V{height - tall:.1f}")
    stroke = min(pitch * 0.55, 4.0)
    parts = [
        Markup('<path class="tick" stroke-width="{:.2f}" d="{}"/>').format(stroke, "".join(plain)),
        Markup('<path class="tick odd" stroke-width="{:.2f}" d="{}"/>').format(max(stroke, 2.2), "".join(marked)),
    ]
    said = reader.t("page.comb_alt", low_min=float(lengths.min()), high_min=top, abnormal=len(abnormal), count=len(table))
    picture = Markup(str(svg.picture(width, height, parts, title=said, css="comb")).replace("xMidYMid meet", "none"))
    return {"svg": picture, "note": reader.t_html("page.comb")}


def _finding(n: int, finding: Finding, shown, offsets: Offsets, reader: Reader) -> dict[str, Any]:
    first, last = reader.moment(finding.start_ns, offsets), reader.moment(finding.end_ns, offsets)
    sure = 3 if finding.confidence >= 0.9 else 2 if finding.confidence >= 0.7 else 1
    return {
        "n": n,
        "code": finding.code,
        "severity": finding.severity.value,
        "title": reader.say_html(finding.title),
        "when": reader.t_html("findings.when", first=first, last=last),
        "cycles": [int(c) for c in finding.cycles[:24]],
        "more": max(len(finding.cycles) - 24, 0),
        "numbers": _numbers(finding.evidence, reader),
        "signals": _numbers(finding.evidence.get("signals") or {}, reader),
        "causes": [reader.say_html(c) for c in finding.likely_causes],
        "checks": [reader.say_html(c) for c in finding.next_checks],
        "sure": reader.t_html("findings.sure", word=reader.t(f"findings.sure_{sure}"), confidence_pct=100 * finding.confidence),
        "picture": shown,
    }


_INTERNAL = {"how", "kind", "check", "proof", "role"}  # words of ours that say how a rule came to it: for scripts


def _numbers(evidence: Mapping[str, Any], reader: Reader) -> list[tuple[str, Markup]]:
    shown = [(name, value) for name, value in evidence.items() if value is not None and name not in _INTERNAL and not isinstance(value, Mapping)]
    return [(evidence_name(name, reader), _evidence_value(name, value, reader)) for name, value in shown]


_UNIT_ENDING = re.compile(r"(?<=[a-z])_(c|k|a|ah|w|v|kwh|kwh_per_kg|kpa|kg|kg_per_day|s|s_per_day|min|min_per_day|h|days|per_hour|per_day|pct|k_per_(min|day)|pct_per_day)$")


def evidence_name(name: str, reader: Reader) -> str:
    """What a number is, for people: from the catalogue, else its name without the unit."""
    return reader.words.get(f"evidence.{name}") or _UNIT_ENDING.sub("", name).replace("_", " ")


def _evidence_value(name: str, value: Any, reader: Reader) -> Markup:
    if isinstance(value, list | tuple | np.ndarray):
        return Markup(", ").join(_evidence_value(name, v, reader) for v in list(value)[:12])
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, str):
        value = reader.words.get(f"evidence.value.{value}", value)
    return reader.show_html(name, value)


def _figures(
    timeline: Timeline,
    record: CycleRecord,
    judgement: Judgement,
    summary: UnitSummary,
    freezes: Overlay | None,
    harvests: Overlay | None,
    days: Days | None,
    limits: dict[str, Limits],
    reader: Reader,
) -> list[dict[str, Any]]:
    """Each chart's name, place and the sentence that says what it shows."""
    figures = [{"id": "log", "name": "chart.log", "said": _log_said(timeline, record, judgement, summary, reader)}]
    if len(record.cycles):
        figures.append({"id": "lengths", "name": "chart.lengths", "said": _lengths_said(record, limits, reader)})
    for ident, over, column in (("freezes", freezes, "freeze_min"), ("harvests", harvests, "harvest_min")):
        if over is not None and record.harvests_timed:
            lengths = record.cycles[column].to_numpy(dtype=float)
            longest = float(np.fmax.reduce(lengths)) if len(lengths) else float("nan")
            said = reader.t_html(f"chart.{ident}_alt", usual=over.usual, channel_role=over.role, abnormal=len(over.cycles), longest_min=longest)
            figures.append({"id": ident, "name": f"chart.{ident}", "said": said})
    if days is not None:
        figures.append({"id": "days", "name": "chart.days", "said": _days_said(days, _kg_per_cycle(judgement), reader)})
        figures.append({"id": "calendar", "name": "chart.calendar", "said": _calendar_said(days, reader)})
    return figures


def _log_said(timeline: Timeline, record: CycleRecord, judgement: Judgement, summary: UnitSummary, reader: Reader) -> Markup:
    spans = {k: sum(p.end_ns - p.start_ns for p in record.phases if p.kind == k) for k in PhaseKind}
    whole = sum(spans.values()) or 1
    phases = ", ".join(
        reader.t("chart.log_phases", share_pct=100 * span / whole, name_phase=kind.value) for kind, span in spans.items() if span / whole >= 0.005
    )
    channels = Markup(", ").join(_range_said(c, reader) for c in charts.drawn_channels(timeline))
    count = len(judgement.findings)
    marks = reader.t("chart.log_marks", count=count) if count else reader.t("chart.log_marks_none")
    shares = phases[:1].upper() + phases[1:]
    return reader.t_html("chart.log_alt", channels=channels, log_days=summary.days, phases=shares, marks=marks)


def _range_said(channel: Channel, reader: Reader) -> Markup:
    _, values = trusted_readings(channel)
    if not len(values):
        return reader.t_html("chart.log_channel", channel_role=channel.role, span="–")
    name = {"°C": "t_c", "A": "i_a", "W": "p_w", "kPa": "p_kpa", "V": "u_v", "kWh": "e_kwh"}.get(channel.unit, "")
    ends = [reader.show_html(name, float(v)) for v in (values.min(), values.max())]
    return reader.t_html("chart.log_channel", channel_role=channel.role, span=Markup("…").join(ends))


def _lengths_said(record: CycleRecord, limits: dict[str, Limits], reader: Reader) -> Markup:
    said = []
    for name, key in (("freeze", "chart.lengths_alt"), ("harvest", "chart.lengths_alt_harvest")):
        values = record.cycles[f"{name}_min"].to_numpy(dtype=float)
        values, lim = values[np.isfinite(values)], limits[f"{name}_min"]
        if not len(values) or (name == "harvest" and not record.harvests_timed):
            continue
        outside = int(((values < lim.low) | (values > lim.high)).sum())
        figures = {f"{name}_min": float(np.median(values)), f"{name}_low_min": lim.low, f"{name}_high_min": lim.high, f"{name}_out": outside}
        said.append(reader.t_html(key, count=len(values), **figures))
    return Markup(" ").join(said)


def _days_said(days: Days, kg_per_cycle: float | None, reader: Reader) -> Markup:
    full = days.cycles[days.whole]
    if not len(full):
        return reader.t_html("chart.days_alt_none")
    if kg_per_cycle is None:
        return reader.t_html("chart.days_alt_cycles", low=int(full.min()), high=int(full.max()), full=len(full))
    low, high = float(full.min()) * kg_per_cycle, float(full.max()) * kg_per_cycle
    return reader.t_html("chart.days_alt_ice", low_whole_kg=low, high_whole_kg=high, full=len(full))


def _calendar_said(days: Days, reader: Reader) -> Markup:
    making = days.hours[:, :, :2].sum(axis=2)
    by_hour = making.sum(axis=0) / np.maximum(days.hours.sum(axis=(0, 2)), 1e-9)
    return reader.t_html(
        "chart.calendar_alt",
        making_pct=100 * float(making.sum() / max(days.hours.sum(), 1e-9)),
        most_hour=int(by_hour.argmax()),
        least_hour=int(by_hour.argmin()),
    )


def _finest(drawn: charts.Drawn, reader: Reader) -> str:
    width, interval = reader.seconds(drawn.bucket_s), reader.seconds(drawn.interval_s)
    if drawn.every:
        return reader.t("chart.finest_all", interval=interval)
    return reader.t("chart.finest" if drawn.windows else "chart.finest_bucket", interval=interval, width=width)

