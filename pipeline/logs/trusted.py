"""Channels with what speaks against their readings: masks, stretches that follow no more, and which of a role is used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.logs.channels.draft import Draft
from pipeline.logs.channels.same_logger import LoggerLog
from pipeline.logs.coarse_grid import Overview, swing
from pipeline.logs.rows.per_column import for_each
from pipeline.logs.timeline import Channel, Doubt
from pipeline.logs.trust.detached import Stretch, not_following
from pipeline.logs.trust.doubts import coarse, doubts_on_samples, doubts_on_stretches
from pipeline.logs.trust.sample_checks import CheckedChannel, extremes, resolution_of, sample_masks, saturated


@dataclass(frozen=True, kw_only=True)
class Trusted:
    """channels: every column, its readings with their masks; doubts: what was objected to, in words."""

    channels: tuple[Channel, ...]
    doubts: tuple[Doubt, ...]


def trusted_channels(
    drafts: Sequence[Draft], logs: Sequence[LoggerLog], overview: Overview, limits: Mapping[str, float]
) -> Trusted:
    """How far each draft can be trusted, and which of each role is used. overview: of `logs`, on the unit's clock."""
    traces = for_each(
        lambda d: _checked(_trace(d, logs, overview), overview, limits),
        drafts,
        readings=max((len(d.values) for d in drafts), default=0),
    )
    stretches = _distinct(not_following(traces, overview, limits))
    resolutions = {t.key: t.resolution for t in traces}
    channels = _channels(drafts, logs, traces, stretches, overview, resolutions)
    by_key = {t.key: t for t in traces}
    doubts: list[Doubt] = []
    for draft in drafts:
        if draft.role != "other":  # an input that nothing is plugged into is no fault
            doubts += doubts_on_samples(by_key[draft.key], by_key[draft.key].masks, draft.error_words)
    doubts += doubts_on_stretches(stretches, by_key, overview)
    chosen = {c.label + c.file for c in channels if c.chosen}
    doubts += coarse([t for t in traces if t.label + t.file in chosen], resolutions, limits)
    return Trusted(channels=tuple(channels), doubts=tuple(doubts))


def _trace(draft: Draft, logs: Sequence[LoggerLog], overview: Overview) -> CheckedChannel:
    log = logs[draft.logger]
    grid = overview.of(draft.logger, draft.values)
    return CheckedChannel(
        key=draft.key,
        role=draft.role,
        label=draft.label,
        file=log.name,
        unit=draft.unit,
        logger=draft.logger,
        time_ns=log.time_ns,
        values=draft.values,
        error=draft.error,
        interval_s=log.sources[0].interval_s,
        grid=grid,
        swing=swing(grid),
        extremes=extremes(draft.values),
        resolution=resolution_of(draft.values),
    )


def _checked(trace: CheckedChannel, overview: Overview, limits: Mapping[str, float]) -> CheckedChannel:
    """The trace with its masks; its grid without the readings that they object to."""
    masks = sample_masks(trace, limits)
    if (cut := saturated(trace)) is not None:
        masks["saturated"] = cut
    if not masks:
        return trace
    bad = np.logical_or.reduce(list(masks.values()))
    on_grid = bad[np.maximum(overview.rows[trace.logger], 0)]
    grid = np.where(on_grid, np.nan, trace.grid)
    return replace(trace, masks=masks, grid=grid, swing=swing(grid))


def _distinct(stretches: Sequence[Stretch]) -> list[Stretch]:
    """Stretches of one channel and kind that touch or overlap are one."""
    result: list[Stretch] = []
    for stretch in sorted(stretches, key=lambda s: (s.key, s.kind, s.first)):
        last = result[-1] if result else None
        if last and (last.key, last.kind) == (stretch.key, stretch.kind) and stretch.first <= last.last + 1:
            result[-1] = replace(
                last, last=max(last.last, stretch.last), confidence=max(last.confidence, stretch.confidence)
            )
        else:
            result.append(stretch)
    loose = [s for s in result if s.kind == "loose"]
    return [
        s
        for s in result
        if s.kind != "flat"
        or not any(o.key == s.key and o.first <= s.first and s.last <= o.last for o in loose)
    ]


def _channels(
    drafts: Sequence[Draft],
    logs: Sequence[LoggerLog],
    traces: Sequence[CheckedChannel],
    stretches: Sequence[Stretch],
    overview: Overview,
    resolutions: Mapping[int, float],
) -> list[Channel]:
    names = {"loose": "probe came off", "flat": "stands still", "dead": "clamp reads nothing"}
    made = []
    for draft, trace in zip(drafts, traces, strict=True):
        masks = dict(trace.masks)
        for stretch in stretches:
            if stretch.key != draft.key:
                continue
            start, end = overview.span_ns(stretch.first, stretch.last)
            a, b = np.searchsorted(trace.time_ns, (start, end + 1))
            mask = masks.setdefault(names[stretch.kind], np.zeros(len(trace.values), bool))
            mask[a:b] = True
        trusted = np.ones(len(trace.values), bool) if trace.is_whole else ~np.isnan(trace.values)
        for mask in masks.values():
            trusted &= ~mask
        made.append(
            Channel(
                role=draft.role,
                label=draft.label,
                file=trace.file,
                unit=draft.unit,
                unit_read=draft.unit_read,
                time_ns=trace.time_ns,
                values=draft.values,
                trusted=trusted,
                interval_s=trace.interval_s,
                resolution=resolutions[draft.key],
                chosen=False,
                role_by=draft.role_by,
                role_confidence=draft.role_confidence,
                masks=masks,
                clock=trace.file if logs[draft.logger].clock_open else "",
            )
        )
    return _chosen(made)


def _chosen(channels: list[Channel]) -> list[Channel]:
    """Of several candidates for a role the better one: named by unit.toml, then trusted for longer, then finer."""

    def rank(i: int) -> tuple:
        c = channels[i]
        span = np.count_nonzero(c.trusted) / len(c.trusted) * (c.time_ns[-1] - c.time_ns[0])
        return (
            c.role_by != "unit.toml",
            -round(c.role_confidence, 1),
            -round(span / 6e11),
            c.interval_s,
            c.resolution,
            i,
        )

    best: dict[str, int] = {}
    for i in sorted(range(len(channels)), key=rank):
        if channels[i].role != "other" and channels[i].trusted.any():
            best.setdefault(channels[i].role, i)
    return [replace(c, chosen=best.get(c.role) == i) for i, c in enumerate(channels)]
