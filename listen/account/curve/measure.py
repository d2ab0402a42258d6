"""Sizes of the fitted parts in each bin: crest loss, dead band, slope deficit, even and odd curvature."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.bins import Bins
from listen.account.curve.choose import Choice
from listen.account.curve.fit import Fit
from listen.account.curve.model import harmonics
from listen.account.curve.wave import NO_KNEE, ORDERS, Values, of_table, settled, waves
from listen.track import SINE_FLAT

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]
Flags = NDArray[np.bool_]

_POINTS = 1024
"""Points of a cycle: a sine's flat span, 6.4 % of it, is then known to 1.5 % of itself, a crest to 5e-6."""
_LOOP_SECOND, _LOOP_THIRD = 5**0.5, abs(1 - 3j / (3 - 1 / 3))
"""A Wien loop hands its amplifier's H2 and H3 back: they come out times 1 - 3j / (k - 1 / k)."""
_ROUNDS = 24
"""Rounds of the loop: a harmonic comes back a third to nine tenths as strong, the second the most, and 7 % of it are
then still on the way."""
_HARD_SHARE = 0.5
"""Flat span between the wave without knees (0) and a hard clip of the same loss (1): a half is flattened from the
middle on, curved below."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sizes:
    """Sizes of all parts in each bin, lowest pitch first.

    Attributes
    ----------
    f0_hz : ndarray, shape (n,)
    own, count : ndarray of int
        As in `Bins`: the bin of each row of the take whose pitch has several, and the rows of each bin.
    loss_one, loss_both : ndarray
        Crest lost by the knees alone: of one half against the other, of both against the crest without knees, each over
        its fundamental (0 to 1).
    positive : ndarray of bool
        The positive half loses more.
    flat_positive, flat_negative : ndarray
        Part of the cycle above 98 % of that crest, over a sine's.
    hard : bool
        The knees are hard enough for flattening; else they are a curve.
    dead : ndarray
        Half the width of the dead band over the peak that drives it.
    slope_short : ndarray
        Part of the fundamental's slope that is missing at the steepest place.
    slopes_fs_per_s : tuple of float
        Limits of the rising and of the falling slope.
    even, odd : ndarray
        Curves: even and odd harmonics against the fundamental, as they come out.
    residual_even : ndarray
        R.s.s. of the even harmonics measured beyond hard knees, dead band and limited slope; within a loop a knee's own
        are among them, for the loop hands them back and the crest's loss says little of them.
    residual_odd : ndarray
        R.s.s. of the odd ones beyond all three.
    crest_positive, crest_negative : ndarray
        Of the whole model's wave over the fundamental.
    gain : ndarray
        Of the fundamental through knees and slope.
    steep : ndarray, shape (n, 2)
        Slope of the stage's own sine over the limit of the rising and of the falling slope.
    """

    f0_hz: Floats
    own: NDArray[np.int64]
    count: Floats
    loss_one: Floats
    loss_both: Floats
    positive: Flags
    flat_positive: Floats
    flat_negative: Floats
    hard: bool
    dead: Floats
    slope_short: Floats
    slopes_fs_per_s: tuple[float, float]
    even: Floats
    odd: Floats
    residual_even: Floats
    residual_odd: Floats
    crest_positive: Floats
    crest_negative: Floats
    gain: Floats
    steep: Floats

    @property
    def steepest(self) -> Floats:
        """Slope over the limit that is reached first."""
        return np.asarray(self.steep.max(axis=1))

    @property
    def slope_fs_per_s(self) -> float:
        """The lesser one of the limits."""
        return min(self.slopes_fs_per_s)

    def at(self, values: Floats, f0_hz: Floats) -> Floats:
        """One of the columns in each row of the take, straight in the logarithm of the pitch between bins.

        Rows of a pitch with several states have their own state's.
        """
        safe = np.where(np.isfinite(f0_hz) & (f0_hz > 0), f0_hz, self.f0_hz[0])
        if not (self.own >= 0).any():
            return np.asarray(np.interp(np.log(safe), np.log(self.f0_hz), values))
        # elsewhere such a pitch stands for the state in which it was longest
        best: dict[float, int] = {}
        for i, f0 in enumerate(np.round(self.f0_hz, 1).tolist()):
            if f0 not in best or self.count[i] > self.count[best[f0]]:
                best[f0] = i
        usual = np.array(sorted(best.values(), key=lambda i: float(self.f0_hz[i])))
        out = np.interp(np.log(safe), np.log(self.f0_hz[usual]), values[usual])
        return np.asarray(np.where(self.own >= 0, values[np.maximum(self.own, 0)], out))


def sizes_of(choice: Choice) -> Sizes:
    """Measure the parts of the chosen model."""
    fit, bins = choice.best, choice.bins
    values = fit.values
    none = _nothing(values)
    knees = replace(none, knee=values.knee, top=values.top, bottom=values.bottom)
    # behind diodes a knee meets their wave, which is lower than a sine: that much of the crest it did not take
    bent = replace(none, bend=values.bend, bend_at=values.bend_at)
    behind = replace(bent, knee=values.knee, top=values.top, bottom=values.bottom)
    hard = _is_hard(fit, behind)
    # within the loop a part's input is not a sine: it is the feedback of that part alone
    up, down, flat_up, flat_down = _crests(behind, _alone(behind, bins))
    bent_lines = _alone(bent, bins)
    whole = _crests(bent, bent_lines)[0]
    up, down = up / whole, down / whole
    clipped = np.minimum(values.top, values.bottom) < NO_KNEE
    slope_short, slopes_fs = _slope(fit)
    even, odd = _curves(fit, harmonics(bent, bent_lines).lines)
    gain = harmonics(replace(knees, steep=values.steep, lean=values.lean), _alone(knees, bins)).gain
    modelled = replace(values, even=none.even, odd=none.odd, bend=none.bend)
    unbound = replace(modelled, top=none.top, bottom=none.bottom)
    with_knees = _beyond(unbound, bins)
    residual = _beyond(modelled, bins) if hard else with_knees
    total_up, total_down, _, _ = _crests(replace(values, steep=none.steep), bins.r)
    steep = (values.steep if values.own_slope else values.steep / gain)[:, None] * _sides(values)
    return Sizes(
        f0_hz=bins.f0_hz,
        own=bins.own,
        count=bins.count,
        loss_one=np.where(clipped, 1 - np.minimum(up, down) / np.maximum(up, down), 0.0),
        loss_both=np.where(clipped, np.maximum(1 - np.maximum(up, down), 0.0), 0.0),
        positive=up < down,
        flat_positive=flat_up,
        flat_negative=flat_down,
        hard=hard,
        dead=_dead(values.dead, steep.max(axis=1)),
        slope_short=slope_short,
        slopes_fs_per_s=slopes_fs,
        even=even,
        odd=odd,
        residual_even=_rss((with_knees if fit.stages.inside else residual)[:, 0::2]),
        residual_odd=_rss(residual[:, 1::2]),
        crest_positive=total_up,
        crest_negative=total_down,
        gain=gain,
        steep=steep,
    )


def _dead(dead: Floats, steepest: Floats) -> Floats:
    """Dead band, where the slope is held no wider than elsewhere: there it takes what that model errs by."""
    free = steepest <= 1.0
    return np.minimum(dead, dead[free].max()) if free.any() else dead


def _rss(lines: Complexes) -> Floats:
    return np.asarray(np.sqrt(np.sum(np.abs(lines) ** 2, axis=1)))


def _nothing(values: Values) -> Values:
    n = len(values.knee)
    zero, far = np.zeros(n), np.full(n, NO_KNEE)
    return Values(
        solved=values.solved,
        own_levels=values.own_levels,
        own_slope=values.own_slope,
        inside=values.inside,
        second_stage=values.second_stage,
        knee=values.knee,
        corner=zero,
        even=np.zeros(n, dtype=complex),
        odd=np.zeros(n, dtype=complex),
        bend=zero,
        bend_at=zero + 1.0,
        bend_width=values.bend_width,
        dead=zero,
        top=far,
        bottom=far,
        steep=zero,
        lag=values.lag,
        lean=zero,
    )


def _crests(values: Values, measured: Complexes) -> tuple[Floats, Floats, Floats, Floats]:
    """Extremes about the mean over the fundamental, and flat spans over a sine's, of the stages' wave."""
    u = waves(values, settled(values, measured), _POINTS)
    u = u - u.mean(axis=1, keepdims=True)
    first = np.abs(np.fft.rfft(u, axis=1)[:, 1]) * (2.0 / _POINTS)
    up, down = u.max(axis=1), -u.min(axis=1)
    flat_up = np.mean(u >= 0.98 * up[:, None], axis=1) / SINE_FLAT
    flat_down = np.mean(-u >= 0.98 * down[:, None], axis=1) / SINE_FLAT
    return up / first, down / first, flat_up, flat_down


def _alone(parts: Values, bins: Bins) -> Complexes:
    """H2 .. H10 at the output of a Wien loop with only these parts, by fixed-point iteration."""
    lines = np.zeros_like(bins.r)
    # with a second stage the kernel itself goes round the loop
    rounds = (1 if parts.second_stage else _ROUNDS) if parts.inside else 0
    for _ in range(rounds):
        lines = harmonics(parts, lines).lines
    return lines


def _beyond(modelled: Values, bins: Bins) -> Complexes:
    """What was measured beyond what some parts make alone."""
    return np.where(bins.fits, bins.r - harmonics(modelled, _alone(modelled, bins)).lines, 0.0)


def _is_hard(fit: Fit, knees: Values) -> bool:
    """Whether the most clipped bin has at least half the flatness of a hard clip of the same loss."""
    if not set(fit.stages.parts) & set("PNT"):
        return False
    deepest = int(np.argmin(np.minimum(knees.top, knees.bottom)))
    one, none = replace(_only(knees, deepest), inside=False), np.zeros((1, ORDERS - 1), dtype=complex)
    far = np.array([NO_KNEE])
    plain = float(_crests(replace(one, top=far, bottom=far), none)[2][0])
    up, down, flat_up, flat_down = (float(v[0]) for v in _crests(one, none))
    top = one.top[0] <= one.bottom[0]
    both = abs(one.top[0] - one.bottom[0]) < 0.002
    flat = flat_up if top else flat_down
    loss = 1 - max(up, down) if both else 1 - min(up, down) / max(up, down)
    # level of a hard clip of the same loss, by bisection
    # behind diodes the crest lies above the stage's own amplitude
    low, high = 0.2, NO_KNEE
    for _ in range(28):
        level = 0.5 * (low + high)
        level_up = np.array([level if top or both else NO_KNEE])
        level_down = np.array([level if both or not top else NO_KNEE])
        hard = replace(one, knee=np.array([1e-4]), top=level_up, bottom=level_down)
        a, b, fa, fb = (float(v[0]) for v in _crests(hard, none))
        its = 1 - max(a, b) if both else 1 - min(a, b) / max(a, b)
        low, high = (level, high) if its > loss else (low, level)
    reference = fa if top or both else fb
    return (flat - plain) > _HARD_SHARE * (reference - plain)


def _only(values: Values, i: int) -> Values:
    return of_table(values.table()[i : i + 1], values.flags)


def _sides(values: Values) -> Floats:
    """Mean limit over those of the rising and of the falling slope: shape (n, 2)."""
    return np.stack([np.exp(-values.lean), np.exp(values.lean)], axis=1)


def _slope(fit: Fit) -> tuple[Floats, tuple[float, float]]:
    """Slope deficit in each bin, and both slew rates in full scale per second."""
    values, bins = fit.values, fit.layout.bins
    n = len(bins)
    if not fit.stages.has("S"):
        return np.zeros(n), (0.0, 0.0)
    seen = values.steep
    if values.own_slope:
        only = replace(_nothing(values), steep=values.steep, lean=values.lean)
        seen = seen * harmonics(only, _alone(only, bins)).gain
    each = np.maximum(seen[:, None] * _sides(values), 1e-6)
    limits = (2 * np.pi * bins.f0_hz * bins.amplitude_fs)[:, None] / each
    limited = each.max(axis=1) > 1.0
    rising, falling = np.median(limits[limited] if limited.any() else limits, axis=0)
    return np.maximum(1.0 - 1.0 / each.max(axis=1), 0.0), (float(rising), float(falling))


def _curves(fit: Fit, bent: Complexes) -> tuple[Floats, Floats]:
    """Even and odd curves as they come out; ``bent``: H2 .. H10 that the diodes alone make."""
    values = fit.values
    within_loop = fit.stages.inside and not fit.stages.second_stage
    second, third = (_LOOP_SECOND, _LOOP_THIRD) if within_loop else (1.0, 1.0)
    even = np.abs(values.even) * second
    odd = np.abs(values.odd) * third
    if fit.stages.has("B"):
        odd = np.hypot(odd, _rss(bent[:, 1::2]))
    return np.asarray(even), np.asarray(odd)
