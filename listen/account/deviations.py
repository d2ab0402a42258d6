"""Standard deviations of the parts' parameters, from what is left of the readings when the part is taken out.

Each is held against errors of takes with known truth by ``tests/account/stated.py``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.fixed_lines import FixedLine, window_s
from listen.account.mains import MainsLines
from listen.account.mains_windows import HOP_S, WINDOW_S
from listen.account.modulation import Swing
from listen.account.parts import Part
from listen.account.settling import Settling
from listen.account.start import crossing_step_s
from listen.account.tone import BoardTone
from listen.account.types import Account
from listen.fitting import legendre_columns

Floats = NDArray[np.floating[Any]]

_TURN_MULTIPLES = 3
"""Of a swing's rate: what is left without them is noise."""
_MEDIAN = math.sqrt(0.5 * math.pi)
"""Standard deviation of a median over that of the mean (any handbook of statistics)."""
_HANN_SLOPE = 0.69
"""Error of a Hann-windowed line's frequency times the window's length, over its relative error of amplitude: the
ratio of the two least-squares variances, square root of (int w2 t2 / int w2), over (int w t2 / int w), over 2 pi."""
_INTERPOLATED = 0.0005 / 4
"""Error of a peak between bins of a spectrum that is padded to four times its length, by a parabola through three
logarithms (r.m.s. over all places, Hann), over the window's own bin."""
_CENTROID, _CENTROID_NOISE = 0.0005, 1.4
"""The same of the centroid of five bins, in bins; and of the median of many such spectra, what `_HANN_SLOPE` is of one
(simulated: 1.42)."""
_TWO_STEPS = math.sqrt(1.0 + 1.0 / 6.0)
"""A crossing is read up to a step late, another up to a step early: r.m.s. of the sum of two even distributions."""
_BENT, _RATE_BENT = 0.25, 0.5
"""A ring of the level is none of its logarithm, and which of them a board has is not known: of a ring of a tenth the
decay then differs by 2.5 %, and the rate by half of that of its line's width."""
_QUANTILE, _QUANTILE_NOISE = 0.0007, 0.5
"""The quantiles of one in a hundred lie 0.05 % within a sine's tips, each; noise raises them by half of its own
standard deviation where it is small (simulated)."""
_UPPER_FIFTH = 0.9
"""The 80th percentile lies 0.84 standard deviations above the level that noise scatters about."""
UNLIKE_SIGMAS = 4.0
"""One clip level stands for both halves until they differ by so many deviations of each: below, a second level is not
worth its price (Schwarz)."""
_FEWEST = 4
"""Readings from which a scatter is taken."""


def with_deviations(account: Account, parts: Iterable[Part]) -> tuple[Part, ...]:
    """Return parts with the standard deviations that are known of their parameters; their own ones stay.

    Parameters
    ----------
    account : Account
        With what its parts are made of.
    parts : iterable of Part
    """
    known = dict(_all(account))

    def sizes(part: Part) -> dict[str, float]:
        found = {key: float(size) for key, size in known.get(part.id, {}).items() if np.isfinite(size)}
        return {**found, **part.sigma}

    return tuple(replace(part, sigma=sizes(part)) for part in parts)


def _all(account: Account) -> Iterator[tuple[str, Mapping[str, float]]]:
    tone = account.tone
    if account.mains is not None and len(account.mains.level_dbc):
        yield "mains", mains_deviations(account.mains)
    if tone is None:
        return
    if account.hunting:
        yield "hunting", swing_deviations(tone, max(account.hunting, key=lambda s: s.depth))
    for number, line in enumerate(account.fixed_lines, start=1):
        yield f"line-{number}", line_deviations(line, account.frames.sample_rate_hz)
    if account.start.shown:
        yield "start", {"rise_s": _TWO_STEPS * crossing_step_s(account.start)}
    for number, ring in enumerate((s for s in account.settlings if s.ring), start=1):
        stop = next((s.stop for s in account.segments if s.retune_s == ring.retune_s), 0)
        yield f"settling-{number}", ring_deviations(tone, ring, stop)
    yield from _slew(account)


def swing_deviations(tone: BoardTone, swing: Swing) -> Mapping[str, float]:
    """Of rate and depth of a swing: the noise beside its line, as its periodogram under a Hann window has it."""
    a, b = swing.segment.first, swing.segment.stop
    level = tone.log_level[a:b]
    good = np.isfinite(level)
    t = (np.arange(b - a) - 0.5 * (b - a)) * tone.grid_s
    columns = [*legendre_columns(np.linspace(-1, 1, b - a), 2).T]
    for k in range(1, _TURN_MULTIPLES + 1):
        turns = 2 * np.pi * k * swing.rate_hz * t
        columns += [np.cos(turns), np.sin(turns)]
    whole = np.array(columns).T
    size = np.linalg.lstsq(whole[good], level[good], rcond=None)[0]
    rest = np.where(good, np.nan_to_num(level) - whole @ size, 0.0)
    window, length_s = np.hanning(b - a), (b - a) * tone.grid_s
    power = np.abs(np.fft.rfft(rest * window)) ** 2
    off = np.abs(np.fft.rfftfreq(b - a, tone.grid_s) - swing.rate_hz) * length_s
    neighbours = power[(off > 2.0) & (off < 8.0)]
    if len(neighbours) < _FEWEST:
        return {}
    amplitude = math.sqrt(2.0 * float(neighbours.mean())) / float(window.sum())  # of noise, in one phase
    own = math.hypot(*size[len(columns) - 2 * _TURN_MULTIPLES :][:2])
    # the depth is read between quantiles: of noise they take the larger values
    depth = math.hypot(amplitude, _QUANTILE_NOISE * float(np.std(rest)), _QUANTILE * own)
    return {
        "rate_hz": math.hypot(_HANN_SLOPE * amplitude / own, _INTERPOLATED) / length_s,
        "depth_percent": 100.0 * depth * swing.depth / own,
    }


def mains_deviations(mains: MainsLines) -> Mapping[str, float]:
    """Of frequency and level of the mains, from the scatter of its windows, which overlap."""
    level = mains.level_dbc[np.isfinite(mains.level_dbc)]
    alike = _hann_overlap(len(mains.time_s))
    found = np.abs(mains.amplitude) > 0
    out: dict[str, float] = {}
    if len(level) >= _FEWEST:
        out["level_dbc"] = (
            _MEDIAN * _jitter(level) * math.sqrt(float(np.sum(alike)) * 2.0 - 1.0) / math.sqrt(len(level))
        )
    weights, errors = [], []
    lag = round(0.5 * WINDOW_S / HOP_S)
    for k in range(found.shape[1]):
        there = found[:, k]
        pairs = np.flatnonzero(there[lag:] & there[:-lag])
        if len(pairs) < _FEWEST:
            continue
        phase = np.unwrap(np.angle(mains.amplitude[there, k]))
        counts = np.zeros(len(there))
        np.add.at(counts, pairs + lag, 1.0)
        np.add.at(counts, pairs, -1.0)
        both = np.convolve(counts, counts[::-1])[len(counts) - 1 :]
        spread = float(both[0] + 2.0 * np.sum(both[1:] * alike[1:]))
        order = k + 1
        weights.append(len(pairs) * float(np.median(np.abs(mains.amplitude[there, k]))) ** 2 * order**2)
        turn = _jitter(phase) * math.sqrt(max(spread, 0.0)) / len(pairs)
        errors.append(turn / (2 * np.pi * lag * HOP_S * order))
    if weights:
        w = np.array(weights) / np.sum(weights)
        out["mains_hz"] = math.sqrt(float(np.sum((w * np.array(errors)) ** 2)))
    return out


def _jitter(values: Floats) -> float:
    """Standard deviation of readings about a slow course: from differences of windows that share nothing."""
    apart = round(WINDOW_S / HOP_S)
    if len(values) > 2 * apart:
        return float(np.sqrt(0.5 * np.mean((values[apart:] - values[:-apart]) ** 2)))
    return float(np.std(values))


def _hann_overlap(count: int) -> Floats:
    """Correlation of noise between windows that lie 0, 1, 2 .. hops apart."""
    window = np.hanning(round(WINDOW_S / HOP_S) * 32 + 1)
    out = np.zeros(max(count, 1))
    for i in range(min(len(out), round(WINDOW_S / HOP_S))):
        out[i] = float(window[32 * i :] @ window[: len(window) - 32 * i]) / float(window @ window)
    return out


def line_deviations(line: FixedLine, rate_hz: float) -> Mapping[str, float]:
    """Of frequency and level of a fixed line, from the scatter of its windows."""
    level = line.level_dbfs[np.isfinite(line.level_dbfs)]
    if len(level) < _FEWEST or len(line.time_s) < 2:
        return {}
    scatter = float(np.std(level))
    length_s = window_s(rate_hz)
    amplitude = scatter * math.log(10.0) / 20.0
    return {
        "level_dbc": _UPPER_FIFTH * scatter,
        "frequency_hz": math.hypot(_CENTROID_NOISE * amplitude / math.sqrt(len(level)), _CENTROID) / length_s,
    }


def ring_deviations(tone: BoardTone, ring: Settling, stop: int) -> Mapping[str, float]:
    """Of decay time and rate of a ring: what its fit leaves, and what a ring of the level's logarithm differs by."""
    a = tone.index(ring.retune_s + max(0.05, 2.0 / ring.f0_hz))
    t, level = tone.time_s[a:stop] - ring.retune_s, 20 / math.log(10) * tone.log_level[a:stop]
    if stop - a < 10 or not np.isfinite(level).all():
        return {}
    decay, turn = np.exp(-t / ring.decay_s), 2 * np.pi * ring.rate_hz * t
    columns = np.array([np.ones_like(t), decay * np.cos(turn), decay * np.sin(turn)]).T
    size = np.linalg.lstsq(columns, level, rcond=None)[0]
    wave = columns[:, 1] * size[1] + columns[:, 2] * size[2]
    by_decay = wave * t / ring.decay_s**2
    by_rate = 2 * np.pi * t * (columns[:, 1] * size[2] - columns[:, 2] * size[1])
    slopes = np.column_stack([columns, by_decay, by_rate] if ring.rate_hz > 0 else [columns[:, :2], by_decay])
    rest = level - wave - size[0]
    variance = float(rest @ rest) / max(len(t) - slopes.shape[1], 1)
    shared = 1.0 + 2.0 * float(np.sum(_autocorrelation(rest)))
    own = np.sqrt(np.maximum(np.diag(np.linalg.pinv(slopes.T @ slopes)) * variance * shared, 0.0))
    bent = _BENT * math.log(10) / 20 * ring.deviation_db
    out = {"decay_s": math.hypot(float(own[3 if ring.rate_hz > 0 else 2]), bent * ring.decay_s)}
    if ring.rate_hz > 0:
        out["ring_hz"] = math.hypot(float(own[4]), bent * _RATE_BENT / (2 * np.pi * ring.decay_s))
    return out


def _autocorrelation(rest: Floats) -> Floats:
    """Correlations of what a fit leaves, up to the first that is none."""
    power = float(rest @ rest)
    out = []
    for lag in range(1, len(rest) // 4):
        alike = float(rest[lag:] @ rest[:-lag]) / max(power, 1e-30)
        if alike <= 0.05:
            break
        out.append(alike)
    return np.array(out)


def _slew(account: Account) -> Iterator[tuple[str, Mapping[str, float]]]:
    shape = account.shape
    if shape is None or shape.choice is None or shape.sizes is None or not shape.choice.best.stages.has("S"):
        return
    found = shape.choice.best.unknown("S")
    if found is not None:
        yield "slew", {"slope_fs_per_s": float(found[1][0]) * shape.sizes.slope_fs_per_s}
