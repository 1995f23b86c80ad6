"""Still pictures for the body of a message, drawn from the files of a report alone: no browser, no script."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.report.clock import Offsets, local_day, offsets_between
from pipeline.report.numbers.levels import thinned
from pipeline.report.numbers.usual_range import Limits
from pipeline.report.options import Units
from pipeline.report.palette import LIGHT
from pipeline.report.summary import read_summary
from pipeline.report.wording import Reader

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

S = 1_000_000_000
WIDTH_IN, DPI = 6.0, 200  # twice as fine as a message's 600 px, for sharp screens
POINTS = 4_000
_COLD = ("evaporator", "suction")
_DRAW = ("current_compressor", "current", "power")
_LANES = ("freeze", "harvest", "idle", "unclear", "gap")


@dataclass(frozen=True, kw_only=True)
class _Report:
    """What the files of one report hold, as far as it is drawn."""

    zone: str
    offsets: Offsets
    start_ns: int
    end_ns: int
    channels: Mapping[str, tuple[str, np.ndarray, np.ndarray]]  # role -> (unit, time_ns, values)
    phases: tuple[tuple[int, int, str], ...]
    cycle_ns: np.ndarray
    freeze_min: np.ndarray
    abnormal: np.ndarray  # bool: the freeze, not the harvest
    usual: Limits  # range of the freezes


def still_pictures(
    unit_folder: Path, *, language: str = "en", units: Units = "si"
) -> dict[str, tuple[bytes, str]]:
    """Pictures of the report in `unit_folder`: name -> (PNG, what it shows in a sentence).

    "log": the cold trace and the current with the phases under them; "freezes": the length of every freeze with its
    usual limits. A picture for which the report holds nothing is left out. Raises OSError where a file is missing.
    """
    report, reader = _read(unit_folder), Reader(language=language, units=units)
    pictures = {}
    if report.channels:
        pictures["log"] = (_png(_draw_log(report, reader)), _log_said(report, reader))
    if np.isfinite(report.freeze_min).sum() >= 3:
        pictures["freezes"] = (_png(_draw_freezes(report, reader)), _freezes_said(report, reader))
    return pictures


def _read(folder: Path) -> _Report:
    import pyarrow.parquet as pq

    file = pq.ParquetFile(folder / "timeline.parquet")
    schema = file.schema_arrow
    zone = schema.field("time").type.tz
    roles = [
        role for group in (_COLD, _DRAW) if (role := next((r for r in group if r in schema.names), None))
    ]
    table = file.read(columns=["time", *roles])
    time_ns = (
        table.column("time").combine_chunks().to_numpy(zero_copy_only=False).astype("M8[ns]").astype(np.int64)
    )
    channels = {}
    for role in roles:
        values = table.column(role).combine_chunks().to_numpy(zero_copy_only=False)
        seen = np.isfinite(values)
        if seen.any():
            unit = (schema.field(role).metadata or {}).get(b"unit", b"").decode()
            channels[role] = (unit, *thinned(time_ns[seen], values[seen], POINTS))
    phases = tuple((_ns(row["start"]), _ns(row["end"]), row["phase"]) for row in _rows(folder / "phases.csv"))
    cycles = list(_rows(folder / "cycles.csv"))
    start = min([p[0] for p in phases] + [int(t) for t in time_ns[:1]], default=0)
    end = max([p[1] for p in phases] + [int(t) for t in time_ns[-1:]], default=1)
    summary = read_summary(folder)
    findings = summary.texts.get("findings", ()) if summary else ()
    codes = {finding["code"] for finding in findings if finding.get("phase") == "freeze"}
    told = summary.usual.get("freeze_min") if summary else None
    usual = [float("nan") if v is None else float(v) for v in told or (None, None, None)]
    return _Report(
        zone=zone,
        offsets=offsets_between(ZoneInfo(zone), start, end),
        start_ns=start,
        end_ns=end,
        channels=channels,
        phases=phases,
        cycle_ns=np.array([_ns(row["freeze_start"]) for row in cycles], np.int64),
        freeze_min=np.array([float(row["freeze_min"] or "nan") for row in cycles]),
        abnormal=np.array([not codes.isdisjoint(row["flags"].split()) for row in cycles], bool),
        usual=Limits(low=usual[0], centre=usual[1], high=usual[2]),
    )


def _rows(path: Path):
    with path.open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(file)


def _ns(iso: str) -> int:
    return round(datetime.fromisoformat(iso).timestamp() * 1000) * 1_000_000


def _figure(rows: list[float], height_in: float) -> tuple[Figure, list[Axes]]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, facecolor=LIGHT["sheet"], layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(len(rows), 1, sharex=True, height_ratios=rows, squeeze=False)[:, 0]
    for ax in axes:
        ax.set_facecolor(LIGHT["sheet"])
        ax.grid(color=LIGHT["line"], linewidth=0.6)
        ax.tick_params(colors=LIGHT["soft"], labelsize=7.5, length=2)
        for side, spine in ax.spines.items():
            spine.set_visible(side in ("left", "bottom"))
            spine.set_color(LIGHT["edge"])
    return figure, list(axes)


def _draw_log(report: _Report, reader: Reader) -> Figure:
    lanes = [k for k in _LANES if any(p[2] == k for p in report.phases)]
    figure, axes = _figure(
        [
            0.16 * max(len(lanes), 1) + 0.1,
            *([1.5] if report.channels else []),
            *([0.8] * (len(report.channels) - 1)),
        ],
        3.0,
    )
    strip = axes[0]
    strip.grid(False)
    least = (report.end_ns - report.start_ns) / 1500
    for row, kind in enumerate(reversed(lanes)):
        spans = [(a / S, max(b - a, least) / S) for a, b, k in report.phases if k == kind]
        strip.broken_barh(spans, (row + 0.12, 0.76), facecolor=LIGHT[kind], linewidth=0, snap=False)
    strip.set_yticks(
        [r + 0.5 for r in range(len(lanes))], [reader.words[f"phase.{k}"] for k in reversed(lanes)]
    )
    strip.set_ylim(0, max(len(lanes), 1))
    strip.spines["left"].set_visible(False)
    for ax, (n, (role, (unit, time_ns, values))) in zip(
        axes[1:], enumerate(report.channels.items()), strict=True
    ):
        shown, sign = _in_units(unit, values, reader)
        holes = (
            np.flatnonzero(np.diff(time_ns) > max(20 * float(np.median(np.diff(time_ns))), 30 * S)) + 1
            if len(time_ns) > 2
            else []
        )
        x, y = np.insert(time_ns / S, holes, time_ns[holes] / S), np.insert(shown, holes, np.nan)
        ax.plot(x, y, color=LIGHT[("trace-1", "trace-4")[n % 2]], linewidth=0.7)
        ax.set_title(
            f"{reader.words[f'role.{role}']}, {sign}", loc="left", fontsize=8, color=LIGHT["ink"], pad=3
        )
    _time_ticks(axes[-1], report, reader)
    return figure


def _draw_freezes(report: _Report, reader: Reader) -> Figure:
    figure, (ax,) = _figure([1.0], 1.9)
    seen = np.isfinite(report.freeze_min)
    usual, odd = seen & ~report.abnormal, seen & report.abnormal
    limits = report.usual
    ax.plot(
        report.cycle_ns[usual] / S,
        report.freeze_min[usual],
        "o",
        color=LIGHT["freeze"],
        markersize=2.6,
        markeredgewidth=0,
    )
    ax.plot(
        report.cycle_ns[odd] / S,
        report.freeze_min[odd],
        "D",
        color=LIGHT["odd"],
        markersize=5,
        markeredgewidth=0,
    )
    for value, style in ((limits.centre, "-"), (limits.low, "--"), (limits.high, "--")):
        if np.isfinite(value):
            ax.axhline(value, color=LIGHT["ink"], linewidth=0.8, linestyle=style)
    ax.set_title(
        f"{reader.t('chart.lengths_still')}, {reader.t('chart.minutes')}",
        loc="left",
        fontsize=8,
        color=LIGHT["ink"],
        pad=3,
    )
    _time_ticks(ax, report, reader)
    return figure


def _time_ticks(ax: Axes, report: _Report, reader: Reader) -> None:
    """Local midnights, thinned to a handful; of a log under two days, round hours."""
    ax.set_xlim(report.start_ns / S, report.end_ns / S)
    hours = (report.end_ns - report.start_ns) / S / 3600
    step_h = next((h for h in (1, 2, 3, 6, 12, 24, 48, 96, 168, 336) if hours / h <= 8), 720)
    step = step_h * 3600 * S
    first, last = (int(t) for t in report.offsets.local_ns(np.array([report.start_ns, report.end_ns])))
    local = np.arange(-(-first // step), last // step + 1) * step
    at = report.offsets.utc_ns(local)
    names = []
    for tick in at:
        moment = local_day(int(tick), report.offsets)
        names.append(reader.day(moment, year=False) if moment.hour == 0 else f"{moment:%H:%M}")
    ax.set_xticks(at / S, names)


def _in_units(unit: str, values: np.ndarray, reader: Reader) -> tuple[np.ndarray, str]:
    if unit == "°C" and reader.units == "us":
        return 1.8 * values + 32, "°F"
    return values, unit


def _log_said(report: _Report, reader: Reader) -> str:
    names = {"°C": "t_c", "A": "i_a", "W": "p_w"}
    channels = ", ".join(
        reader.t(
            "chart.log_channel",
            channel_role=role,
            span="…".join(reader.show(names.get(unit, ""), float(v)) for v in (y.min(), y.max())),
        )
        for role, (unit, _, y) in report.channels.items()
    )
    first, last = (reader.moment(t, report.offsets) for t in (report.start_ns, report.end_ns))
    return reader.t("chart.log_still_alt", first=first, last=last, channels=channels)


def _freezes_said(report: _Report, reader: Reader) -> str:
    limits = report.usual
    seen = report.freeze_min[np.isfinite(report.freeze_min)]
    return reader.t(
        "chart.lengths_still_alt",
        count=len(seen),
        freeze_min=limits.centre,
        low_min=float(seen.min()),
        high_min=float(seen.max()),
        abnormal=int(report.abnormal.sum()),
    )


def _png(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=DPI, metadata={"Software": None})
    return out.getvalue()
