"""What a template says of the moment at which a harvest begins or ends, by a network that learned it.

The network sees the course of the template about its named moment: its level in parts of its own swing, and its slopes; so sign, size and lag
of what a harvest does are the machine's own. What it says of a moment is its log likelihood, up to a constant: a conditional logit (D.
McFadden, in: Frontiers in Econometrics (1974) 105-142) whose alternatives are the moments. What several channels say is added up.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from pipeline.cycles.learned import network
from pipeline.cycles.signal.signals import Trace
from pipeline.cycles.template.superpose import Template, parts_of

# What the networks were taught with: where one changes they are learned anew. Common practice, no source.
MOMENTS_S = 4.0 * np.arange(-60, 61)  # about the named one
STEPS = (1, 2, 4, 8, 16)  # between neighbours, layer by layer, in moments
SWING = {
    "line": (0.0, 1.0),
    "current": (0.02, 0.98),
    "alone": (0.02, 0.98),
}  # quantiles between which it lies
LEAST_SIGMAS = {"line": 6.0, "current": 4.0, "alone": 4.0}  # what moves by fewer noises says nothing
TINY = 1e-9

Kind = Literal["line", "current", "alone"]


def said_of(
    template: Template, trace: Trace, harvest_s: float, *, ending: bool, kind: Kind
) -> tuple[np.ndarray, np.ndarray]:
    """(log likelihood (n, l), up to a constant, of every moment of a template, which templates (n,) show anything).

    ending: the harvest's end, else its start; kind: a line, a current beside one, or a current alone."""
    said = np.empty(template.values.shape)
    shows = np.empty(len(said), bool)
    layers = network.layers_of(f"{'end' if ending else 'start'} {kind}")
    for part in parts_of(len(said)):
        inputs, shows[part] = described(
            template.offsets_s, template.values[part], template.noise, trace.interval_s, harvest_s, kind
        )
        nats = network.said_by(layers, STEPS, inputs)[..., 0]
        said[part] = [np.interp(template.offsets_s, MOMENTS_S, each) for each in nats]
    return said, shows


def described(
    offsets: np.ndarray, values: np.ndarray, noise: float, interval_s: float, harvest_s: float, kind: Kind
) -> tuple[np.ndarray, np.ndarray]:
    """(what the network sees (n, len(MOMENTS_S), k) of templates, which of them (n,) show anything).

    offsets: (l,) [s], even; values: (n, l) [°C or A]; noise: standard deviation of one of them; harvest_s: how long one was named."""
    courses = _courses(offsets, values)
    inside = np.abs(MOMENTS_S - 0.5 * (offsets[0] + offsets[-1])) <= 0.5 * (offsets[-1] - offsets[0]) + 1.0
    low, high = np.quantile(courses[:, inside], SWING[kind], axis=1)[..., None]
    swing = np.maximum(high - low, TINY)
    shows = ((swing >= LEAST_SIGMAS[kind] * noise) & np.isfinite(values).any(axis=1, keepdims=True))[:, 0]
    level = np.clip((courses - low) / swing, -1.0, 2.0)
    slope = np.gradient(level, axis=1)
    away = MOMENTS_S / MOMENTS_S[-1]
    every = np.ones(level.shape)
    seen = [level, np.tanh(10.0 * slope), np.tanh(60.0 * slope), every, np.abs(away) * every, away * every]
    seen += [
        every * np.log(max(interval_s, 1.0) / 10.0) / 2.0,
        every * np.clip(np.log(noise / swing + 1e-4) / 4.0 + 1.5, -1.0, 1.0),
        every * np.log(harvest_s / 150.0),
    ]
    return np.stack(seen, axis=-1, dtype=np.float32, casting="same_kind") * inside[:, None], shows


def _courses(offsets: np.ndarray, values: np.ndarray) -> np.ndarray:
    """`values` (n, l) at MOMENTS_S, what is not known drawn straight; 0 where a row holds nothing."""
    out = np.zeros((len(values), len(MOMENTS_S)))
    for row, ok, course in zip(values, np.isfinite(values), out, strict=True):
        if ok.any():
            course[:] = np.interp(MOMENTS_S, offsets[ok], row[ok])
    return out
