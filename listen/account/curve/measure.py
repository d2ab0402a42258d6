"""What the fitted parts come to: crest lost, dead band, slope missing, curves; in each bin, and at any pitch between."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.bins import ORDERS
from listen.account.curve.choose import Choice
from listen.account.curve.fit import Fit
from listen.account.curve.model import NO_KNEE, Values, base_input, harmonics, slew, waves

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_POINTS = 1024
_SINE_FLAT = float(np.arccos(0.98) / np.pi)
_LOOP_SECOND, _LOOP_THIRD = 5**0.5, abs(1 - 3j / (3 - 1 / 3))
"""A Wien loop hands its amplifier's H2 and H3 back: they come out times 1 - 3j / (k - 1 / k)."""
_HARD_SHARE = 0.5
"""Flat span between a sine (0) and a hard clip of the same loss (1) from which a half is flattened, not merely curved."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sizes:
    """Sizes of all parts in each bin, lowest pitch first.

    Attributes
    ----------
    f0_hz : ndarray, shape (n,)
    positive_loss, negative_loss : ndarray
        Crest that each half loses by the knees alone, against the half unclipped (0 to 1).
    flat_positive, flat_negative : ndarray
        Part of the cycle above 98 % of that crest, over a sine's.
    hard : bool
        The knees are hard enough for flattening; else they are a curve.
    dead : ndarray
        Half the width of the dead band over the peak that drives it.
    slope_short : ndarray
        Part of the fundamental's slope that is missing at the steepest place.
    slope_fs_per_s : float
        The limited slope.
    even, odd : ndarray
        Curves: even and odd harmonics against the fundamental, as they come out.
    measured_even, measured_odd : ndarray
        R.s.s. of what was measured.
    explained_even, explained_odd : ndarray
        R.s.s. of what the whole model makes.
    crest_positive, crest_negative : ndarray
        Of the whole model's wave over the fundamental.
    gain : ndarray
        Of the fundamental through knees and slope.
    steep : ndarray
        Slope of the stage's own sine over the limit.
    """

    f0_hz: Floats
    positive_loss: Floats
    negative_loss: Floats
    flat_positive: Floats
    flat_negative: Floats
    hard: bool
    dead: Floats
    slope_short: Floats
    slope_fs_per_s: float
    even: Floats
    odd: Floats
    measured_even: Floats
    measured_odd: Floats
    explained_even: Floats
    explained_odd: Floats
    crest_positive: Floats
    crest_negative: Floats
    gain: Floats
    steep: Floats

    def at(self, values: Floats, f0_hz: Floats) -> Floats:
        """One of the columns at some pitches, straight in the logarithm between bins."""
        safe = np.where(np.isfinite(f0_hz) & (f0_hz > 0), f0_hz, self.f0_hz[0])
        return np.asarray(np.interp(np.log(safe), np.log(self.f0_hz), values))


def sizes_of(choice: Choice) -> Sizes:
    """Measure the parts of the chosen model."""
    fit, bins = choice.best, choice.bins
    values = fit.values
    n = len(bins)
    sine = np.zeros((n, ORDERS + 1), dtype=complex)
    sine[:, 1] = 1.0
    only = _nothing(values)
    knees = replace(only, knee=values.knee, top=values.top, bottom=values.bottom)
    up, down, flat_up, flat_down = _crests(knees, sine)
    slope_short, slope_fs = _slope(fit)
    even, odd = _curves(fit, sine)
    whole, gain = harmonics(
        replace(values, corner_hz=np.zeros(n), even=values.even * 0, odd=values.odd * 0, dead=only.dead, bend=only.bend),
        sine,
        bins.f0_hz,
    )
    del whole
    lines = fit.lines()
    r = np.where(bins.fits, bins.r, 0.0)
    total_up, total_down, _, _ = _crests(replace(values, steep=only.steep), base_input(bins, fit.stages.inside))
    return Sizes(
        f0_hz=bins.f0_hz,
        positive_loss=np.where(values.top < NO_KNEE, np.maximum(1 - up, 0.0), 0.0),
        negative_loss=np.where(values.bottom < NO_KNEE, np.maximum(1 - down, 0.0), 0.0),
        flat_positive=flat_up,
        flat_negative=flat_down,
        hard=_is_hard(fit, knees, sine),
        dead=values.dead,
        slope_short=slope_short,
        slope_fs_per_s=slope_fs,
        even=even,
        odd=odd,
        measured_even=_rss(r[:, 0::2]),
        measured_odd=_rss(r[:, 1::2]),
        explained_even=_rss(np.where(bins.fits, lines, 0.0)[:, 0::2]),
        explained_odd=_rss(np.where(bins.fits, lines, 0.0)[:, 1::2]),
        crest_positive=total_up,
        crest_negative=total_down,
        gain=gain,
        steep=values.steep,
    )


def _rss(lines: Complexes) -> Floats:
    return np.asarray(np.sqrt(np.sum(np.abs(lines) ** 2, axis=1)))


def _nothing(values: Values) -> Values:
    n = len(values.knee)
    zero, far = np.zeros(n), np.full(n, NO_KNEE)
    return Values(
        knee=values.knee,
        corner_hz=zero,
        even=zero + 0j,
        odd=zero + 0j,
        bend=zero,
        bend_at=zero + 1.0,
        dead=zero,
        top=far,
        bottom=far,
        steep=zero,
    )


def _crests(values: Values, spectrum: Complexes) -> tuple[Floats, Floats, Floats, Floats]:
    """Extremes about the mean over the fundamental, and flat spans over a sine's, of the stages' wave."""
    _, u = waves(values, spectrum, _POINTS)
    u = u - u.mean(axis=1, keepdims=True)
    first = np.abs(np.fft.rfft(u, axis=1)[:, 1]) * (2.0 / _POINTS)
    up, down = u.max(axis=1), -u.min(axis=1)
    flat_up = np.mean(u >= 0.98 * up[:, None], axis=1) / _SINE_FLAT
    flat_down = np.mean(-u >= 0.98 * down[:, None], axis=1) / _SINE_FLAT
    return up / first, down / first, flat_up, flat_down


def _is_hard(fit: Fit, knees: Values, sine: Complexes) -> bool:
    """Whether the bin that is clipped most is as flat as a hard clip of the same loss, by half at least."""
    if not set(fit.stages.parts) & set("PNT"):
        return False
    deepest = int(np.argmin(np.minimum(knees.top, knees.bottom)))
    one = _only(knees, deepest)
    up, down, flat_up, flat_down = (float(v[0]) for v in _crests(one, sine[:1]))
    top = one.top[0] <= one.bottom[0]
    both = abs(up - down) < 0.002
    flat = flat_up if top else flat_down
    loss = 1 - max(up, down) if both else 1 - min(up, down) / max(up, down)
    # a hard clip of the same loss, found by halving
    low, high = 0.2, 1.0
    for _ in range(24):
        level = 0.5 * (low + high)
        level_up = np.array([level if top or both else NO_KNEE])
        level_down = np.array([level if both or not top else NO_KNEE])
        hard = replace(one, knee=np.array([1e-4]), top=level_up, bottom=level_down)
        a, b, fa, fb = (float(v[0]) for v in _crests(hard, sine[:1]))
        its = 1 - max(a, b) if both else 1 - min(a, b) / max(a, b)
        low, high = (level, high) if its > loss else (low, level)
    reference = fa if top or both else fb
    return (flat - 1.0) > _HARD_SHARE * (reference - 1.0)


def _only(values: Values, i: int) -> Values:
    from dataclasses import fields

    return Values(**{f.name: getattr(values, f.name)[i : i + 1] for f in fields(Values)})


def _slope(fit: Fit) -> tuple[Floats, float]:
    """Slope missing in each bin, and the limited slope in full scale per second."""
    values, bins = fit.values, fit.layout.bins
    n = len(bins)
    if not fit.stages.has("S"):
        return np.zeros(n), 0.0
    phase = 2 * np.pi * np.arange(2048) / 2048
    u = slew(np.broadcast_to(np.cos(phase), (n, 2048)).copy(), np.where(values.steep > 1.0, values.steep, 0.0))
    first = np.abs(np.fft.rfft(u, axis=1)[:, 1]) * (2.0 / 2048)
    over = values.steep > 1.0
    short = np.where(over, 1.0 - 1.0 / np.where(over, values.steep * first, 1.0), 0.0)
    amplitude = bins.amplitude_fs / first
    limits = 2 * np.pi * bins.f0_hz * amplitude / np.maximum(values.steep, 1e-6)
    return np.maximum(short, 0.0), float(np.median(limits[over])) if over.any() else float(np.median(limits))


def _curves(fit: Fit, sine: Complexes) -> tuple[Floats, Floats]:
    values = fit.values
    second, third = (_LOOP_SECOND, _LOOP_THIRD) if fit.stages.inside else (1.0, 1.0)
    even = np.abs(values.even) * second
    odd = np.abs(values.odd) * third
    if fit.stages.has("B"):
        only = _nothing(values)
        lines, _ = harmonics(
            replace(only, bend=values.bend, bend_at=values.bend_at), sine, fit.layout.bins.f0_hz
        )
        odd = np.hypot(odd, _rss(lines[:, 1::2]) * third)
    return np.asarray(even), np.asarray(odd)
