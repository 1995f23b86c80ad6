"""What a template says of the moment at which a harvest begins or ends, by weights that were learned.

Every moment of a template is described by a few numbers: how steep it is before and after, how sharply it bends or steps against the rest
of the template, what went before, how far it is from the line's top; of a line also as it would be with one lag or another undone. A
weighted sum of them, and of a few products of them (one hidden layer), is the log likelihood of the moment, up to a constant: a conditional logit (D. McFadden, in: Frontiers in Econometrics (1974)
105-142) whose alternatives are the moments. The weights stand in `weights.json`; `python -m tests.bench.worlds.learn` makes them from
simulated machines. Sign and size of what a current does, and the scale of a line, do not matter to any of the numbers.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from functools import cache, partial
from importlib.resources import files
from typing import Literal

import numpy as np

from pipeline.cycles.signal.signals import Trace
from pipeline.cycles.template.superpose import Template, parts_of, smoothed

# By what a moment is described: common practice, no source. None of them decides; the weights do, and are learned anew where one changes.
FROM_TOP_S, FROM_NAMED_S = 30.0, 60.0  # units of the distances from the line's top and from the named moment
LAGS_S = (0.0, 12.0, 30.0, 60.0, 100.0)  # a clip's, undone one after the other
OVER_S, BY_INTERVAL, BY_LAG = (
    8.0,
    1.5,
    1 / 3,
)  # slopes are taken over so long, or so many intervals, or so much of the lag
SLOPE_S = 6.0  # on either side, over which the slope that undoes a lag is taken
CURRENT_SCALES = ((4.0, 1.0), (10.0, 1.0), (30.0, 1.0))
ALONE_S = (
    20.0,
    60.0,
    120.0,
)  # before and after, over which the course of a current without a line is looked at
LEAST_SIGMAS, LEAST_STEPS = 6.0, 4.0  # a line, a current that moves by fewer noises says nothing
EARLY_S = 6.0  # a current's level is looked at so long before and after a moment
END_S = 20.0  # of a template: the levels before and after the harvest's end
TINY = 1e-9
WEIGHTS = files("pipeline.cycles.boundary").joinpath("weights.json")


Kind = Literal["line", "current", "alone"]


@cache
def weights() -> Mapping[str, Mapping[str, np.ndarray]]:
    """Of each act and kind of channel, "end line" to "start current": `direct` (k,), `hidden` (k, h), `bias` (h,) and `out` (h,)."""
    return {
        kind: {name: np.array(values, np.float32) for name, values in table.items()}
        for kind, table in json.loads(WEIGHTS.read_text(encoding="utf-8"))["weights"].items()
    }


def weighed(numbers: np.ndarray, *, ending: bool, kind: Kind) -> np.ndarray:
    """Log likelihood (..., l), up to a constant, that the act is at each of the moments that `numbers` (..., l, k) describe.

    ending: the harvest's end, else its start."""
    w = weights()[f"{'end' if ending else 'start'} {kind}"]
    inner = numbers @ w["hidden"]
    inner += w["bias"]
    return numbers @ w["direct"] + np.tanh(inner, out=inner) @ w["out"]


def said_of(
    template: Template, trace: Trace, harvest_s: float, *, ending: bool, kind: Kind
) -> tuple[np.ndarray, np.ndarray]:
    """(log likelihood (n, l), up to a constant, of every moment of a template, which templates (n,) show anything)."""
    said = np.empty(template.values.shape)
    known = np.empty(len(said), bool)
    for part in parts_of(len(said)):
        some = replace(template, values=template.values[part])
        numbers, known[part] = numbers_of(some, trace, harvest_s, ending=ending, kind=kind)
        said[part] = weighed(numbers, ending=ending, kind=kind)
    return said, known


def numbers_of(
    template: Template, trace: Trace, harvest_s: float, *, ending: bool, kind: Kind
) -> tuple[np.ndarray, np.ndarray]:
    """(numbers (n, l, k) of every moment of a template, which templates (n,) show anything)."""
    describe = partial(_of_line, sign=-1.0 if ending else 1.0) if kind == "line" else _of_current
    numbers, shows = describe(
        template.offsets_s, template.values, template.noise, trace.interval_s, harvest_s
    )
    if kind != "alone":
        return numbers, shows
    return np.concatenate([numbers, _of_current_alone(template, trace)], axis=-1), shows


def _of_line(
    offsets: np.ndarray,
    values: np.ndarray,
    noise: float,
    interval_s: float,
    harvest_s: float,
    *,
    sign: float,
) -> tuple[np.ndarray, np.ndarray]:
    """(numbers (n, l, k), which show anything) of a line's templates.

    offsets: (l,) [s], even; values: (n, l) [°C]; noise: of one point; harvest_s: how long one usually lasts;
    sign: 1 where the act bends the line upwards, -1 where it bends it downwards."""
    values = _filled(values)
    step = float(offsets[1] - offsets[0])
    smooth = smoothed(values, 1) if step < 4.0 else values
    low, high = smooth.min(axis=1, keepdims=True), smooth.max(axis=1, keepdims=True)
    swing = np.maximum(high - low, TINY)
    shows = (swing > LEAST_SIGMAS * noise)[:, 0]
    level = (smooth - low) / swing
    from_top = (offsets - offsets[smooth.argmax(axis=1)][:, None]) / FROM_TOP_S
    numbers = [level, level**2]
    numbers += [np.clip(from_top, *ends) for ends in ((-4.0, 0.0), (0.0, 2.0), (-0.7, 0.0), (0.0, 0.4))]
    numbers += _from_named(offsets, values.shape)
    for lag_s in LAGS_S:
        pipe = _without_lag(values, lag_s, step) if lag_s else smooth
        span = np.maximum(np.ptp(pipe, axis=1, keepdims=True), TINY)
        k = max(1, round(max(OVER_S, BY_INTERVAL * interval_s, BY_LAG * lag_s) / step))
        before, after = pipe - _moved(pipe, -k), _moved(pipe, k) - pipe
        steepest = np.maximum(_most(before), 4.0 * noise * (1.0 + lag_s / (k * step)) + TINY)
        bend = sign * (after - before)
        part = np.clip(bend / _most(bend), -1.0, 1.0)
        up = np.maximum(part, 0.0)
        numbers += [(pipe - pipe.min(axis=1, keepdims=True)) / span, sign * before / steepest]
        numbers += [sign * after / steepest, up, up**2, np.minimum(part, 0.0)]
        numbers += [before * after / steepest**2, np.clip(bend / steepest, -2.0, 2.0)]
        numbers += _of_peaks(np.where(_is_top(bend, max(1, k // 2)), up, 0.0), step, most=2.0)
    numbers += _setting(noise / swing, interval_s, harvest_s, values.shape)
    return np.stack(numbers, axis=-1, dtype=np.float32, casting="same_kind"), shows


def _without_lag(values: np.ndarray, lag_s: float, step: float) -> np.ndarray:
    """What a clip with that lag lies on: its reading and, as it follows at a rate of the difference over the lag, lag × slope."""
    k = max(1, round(SLOPE_S / step))
    slope = (_moved(values, k) - _moved(values, -k)) / (2 * k * step)
    return smoothed(values, k) + lag_s * smoothed(slope, max(1, round(0.1 * lag_s / step)))


def _of_current(
    offsets: np.ndarray, values: np.ndarray, noise: float, interval_s: float, harvest_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """As `_of_line`, of a current's templates [A]."""
    values = _filled(values)
    step = float(offsets[1] - offsets[0])
    low, high = np.quantile(values, (0.02, 0.98), axis=1)[..., None]
    swing = np.maximum(high - low, TINY)
    shows = (swing > LEAST_STEPS * noise)[:, 0]
    end = max(2, round(END_S / step))
    first, last = (np.median(part, axis=1, keepdims=True) for part in (values[:, :end], values[:, -end:]))
    apart = last - first
    up = np.sign(apart + TINY)
    level = np.clip((values - first) / np.where(np.abs(apart) > 0.2 * swing, apart, up * swing), -1.0, 2.0)
    near = max(1, round(EARLY_S / step))
    numbers = _from_named(offsets, values.shape)
    numbers += [
        _moved(level, -near),
        _moved(level, near),
        np.broadcast_to(np.abs(apart) / swing, values.shape),
    ]
    for least_s, intervals in CURRENT_SCALES:
        k = max(1, round(max(least_s, intervals * interval_s) / step))
        total = np.cumsum(np.pad(np.pad(values, ((0, 0), (k, k)), mode="edge"), ((0, 0), (1, 0))), axis=1)
        rise = (total[:, 2 * k :] - 2.0 * total[:, k:-k] + total[:, : -2 * k])[:, : values.shape[1]] / k
        size = np.abs(rise)
        part = np.clip(size / np.maximum(_most(size), 4.0 * noise / np.sqrt(k)), 0.0, 1.0)
        peaks, earlier, later = _of_peaks(np.where(_is_top(size, k), part, 0.0), step, most=3.0)
        numbers += [
            part,
            part**2,
            peaks,
            earlier * part,
            later * part,
            earlier,
            later,
            np.sign(rise) * part * up,
        ]
    numbers += _setting(noise / swing, interval_s, harvest_s, values.shape)
    return np.stack(numbers, axis=-1, dtype=np.float32, casting="same_kind"), shows


def _of_current_alone(template: Template, trace: Trace) -> np.ndarray:
    """More numbers (n, l, k): where no line names the acts, the course about a moment tells a harvest from what else a current does."""
    values = _filled(template.values)
    step = float(template.offsets_s[1] - template.offsets_s[0])
    low, high = np.quantile(values, (0.02, 0.98), axis=1)[..., None]
    level = (values - low) / np.maximum(high - low, TINY)
    numbers = [np.clip(level, -0.5, 1.5)]
    for over_s in ALONE_S:
        k = max(1, round(over_s / step))
        total = np.cumsum(np.pad(np.pad(level, ((0, 0), (k, k)), mode="edge"), ((0, 0), (1, 0))), axis=1)
        after = ((total[:, 2 * k :] - total[:, k:-k]) / k)[:, : level.shape[1]]
        before = ((total[:, k:-k] - total[:, : -2 * k]) / k)[:, : level.shape[1]]
        numbers += [after - level, level - before, after - before]
        numbers += [_moved(level, -1) - _moved(level, -k), _moved(level, k) - _moved(level, 1)]
    compressor = 1.0 if trace.role == "current_compressor" else -1.0  # which holds no fan and no pump
    numbers = [np.clip(n, -1.0, 1.5) for n in numbers] + [np.full(level.shape, compressor)]
    return np.stack(numbers, axis=-1, dtype=np.float32, casting="same_kind")


def _from_named(offsets: np.ndarray, shape: tuple[int, int]) -> list[np.ndarray]:
    """How far each moment is from the named one."""
    away = np.broadcast_to(offsets / FROM_NAMED_S, shape)
    return [away, away**2, np.abs(away)]


def _setting(
    noise: np.ndarray, interval_s: float, harvest_s: float, shape: tuple[int, int]
) -> list[np.ndarray]:
    """What holds of all moments alike: interval, noise in parts of the swing, length of a harvest."""
    return [
        np.full(shape, np.log(max(interval_s, 1.0) / 10.0) / 2.0),
        np.broadcast_to(np.clip(np.log(noise + 1e-4) / 4.0 + 1.5, -1.0, 1.0), shape),
        np.full(shape, np.log(harvest_s / 150.0)),
    ]


def _of_peaks(peaks: np.ndarray, step: float, most: float) -> list[np.ndarray]:
    """`peaks` (n, l) made as wide as a moment is sharp, and the sum of those before and after each, no more than `most`."""
    total = np.cumsum(peaks, axis=1)
    near = smoothed(peaks, max(1, round(4.0 / step)))
    return [near, np.minimum(total - peaks, most), np.minimum(total[:, -1:] - total, most)]


def _is_top(values: np.ndarray, half: int) -> np.ndarray:
    """Whether each of `values` (n, l) is the greatest of its `half` neighbours on either side."""
    from scipy.ndimage import maximum_filter1d

    return values >= maximum_filter1d(values, 2 * half + 1, axis=1, mode="nearest")


def _most(values: np.ndarray) -> np.ndarray:
    return np.maximum(np.abs(values).max(axis=1, keepdims=True), TINY)


def _moved(values: np.ndarray, k: int) -> np.ndarray:
    """`values` (n, l) `k` points later; beyond the ends they stay as they end."""
    at = np.clip(np.arange(values.shape[1]) + k, 0, values.shape[1] - 1)
    return values[:, at]


def _filled(values: np.ndarray) -> np.ndarray:
    """`values` (n, l), what is not known drawn straight; 0 where a row holds nothing."""
    known = np.isfinite(values)
    if known.all():
        return values
    out, each = np.zeros_like(values), np.arange(values.shape[1])
    for row, ok, filled in zip(values, known, out, strict=True):
        if ok.any():
            filled[:] = np.interp(each, each[ok], row[ok])
    return out
