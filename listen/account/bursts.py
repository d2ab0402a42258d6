"""Bursts synchronous with the cycle: an amplifier oscillates on one part of the wave."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.events_rows import steepness
from listen.account.windows import hann_response
from listen.sorting import medians, running_max
from listen.track import Frames
from listen.track.types import HARMONIC_COLUMNS

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_PEAKED = 8.0
"""Power of the residual's steps in one sixteenth of the cycle over the median of all, from which it is a burst: 9 dB.

White noise comes to 1.7 at the most (nine rows, 30 samples of a part in each: simulated).
"""
_STANDS_OUT = 3.0
"""Parts over so many medians hold some of the burst: noise's 1.7 is below, and most of a burst's ends are above."""
ROWS = 9
"""Rows of 20 ms that are averaged, 0.18 s: half of them overlap, so that noise's scatter falls by half; a longer mean
would wash out a burst that comes with a short stretch of the tuning."""
_AT_ONCE = 4000
"""Rows at once: their folds take 1 MB an array. No result hangs on it."""
_EDGES_DBC, _EDGES_LEAVE_DB = -46.0, 12.0
"""Where the wave itself has edges, their jitter leaves up to so much less than what they have above the tenth harmonic.

A triangle has -38 dBc there, two halves that have lost 8 % of their crests -43, one half -49 (their series): that one
has no edges to speak of. Of a high note, which has no more than ten in the file, the last two stand for them: a
sawtooth's come to -17 dBc, a triangle's to -38.
"""
_NEAR_LINE, _LINE_ROOM = 0.1, 2.0
"""High harmonics whose centre is within a tenth of a fixed line's frequency may be that line, which is taken off with 3
dB of room: its level is that of 80 windows of 100, and in some it is stronger."""
_SPUR_S = 3.0
"""A sound that wanders passes from one harmonic to the next of a 30 Hz tone within this, at 10 Hz a second: between two
it is seen beside them."""
_SPUR_CELL = 0.1
"""Natural logarithm: sounds are held against each other in cells of 10 % of their frequency."""
_TAKEN_DB = 2.0
"""What stands out is a burst's where it is no more than 2 dB under what other parts explain: these are known no
better."""
_STEPPED_ORDER, _STEPPED_OVER = 10.0, 4.0
"""What other parts explain lies at the tone's first ten orders: from sample to sample it moves by no more of itself
than a sine of that frequency. What moves by four times as much, 6 dB, is a burst's."""
_NEXT_BELOW, _WAVES_OWN = 6, 25.0
"""From the eighth on: high harmonics that go on from these are the wave's own. Those of a dead band fall as 1 / k and
add to four times the ninth (the series), or, where diodes take the low ones off, to nine (2.4 %, solved); a burst's
stand alone."""
_BUZZ_ROOM = 2.0
"""3 dB, as of lines: what stands at one place, or at the high harmonics, may be all of it, and a row holds one spike
more than another."""
_JITTER = 0.5
"""Power of a sound beside the tone that the wave's edges show besides, times their steepness: where the phase that is
read follows it, half of its power turns the phase, and harmonic k by k times as much (0.3 of a telephone on a
sawtooth)."""
_PLACE, _PLACE_ROWS = 0.7, 15
"""Mean length of the unit vectors of its place in the cycle over fifteen rows, 0.3 s: a burst keeps its place.

One that wanders evenly over 0.45 of the cycle comes to 0.7 (sinc), one that is anywhere to 0.26 (1 / sqrt 15, r.m.s.).
"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bursts:
    """Excess residual power in one part of the cycle, row by row.

    Attributes
    ----------
    level_dbc : ndarray, shape (n,)
        R.m.s. over the whole cycle against the fundamental; -inf where nothing stands out.
    cycle : ndarray, shape (n,)
        Its place: 0 the positive crest of the fundamental, 0.5 the negative one.
    """

    level_dbc: Floats
    cycle: Floats


def find_bursts(
    frames: Frames, rows: Flags, taken: Floats, lines: list[tuple[float, float]], buzz: Floats | float = 0.0
) -> Bursts:
    """Find bursts in the phase histogram of the residual.

    Parameters
    ----------
    frames : Frames
    rows : ndarray of bool, shape (n,)
        The board's rows.
    taken : ndarray, shape (n,)
        Power against the fundamental's that other parts explain: alternate cycles that differ and a level that moves
        leave most at one place of the cycle too.
    lines : list of (frequency_hz, level_dbc)
        Fixed lines: where a harmonic passes one, it counts among the harmonics.
    buzz : float or ndarray, shape (n,)
        Power against the fundamental's of spikes of the mains: near one of their multiples they keep their place, too.
    """
    excess, stepped, place, peaked, usual = _excess_in_cycle(frames, rows)
    with np.errstate(divide="ignore", invalid="ignore"):
        weak = np.maximum(frames.level_dbfs - frames.fundamental_dbfs - 3.0, 0.0)
        fundamental = 0.5 * 10 ** ((frames.fundamental_dbfs + weak) / 10)
        edges = np.where(np.isfinite(frames.high_dbc), frames.high_dbc, _last_two_dbc(frames))
        # a difference of two samples has at most four times the power: high bursts beside low lines, by the difference
        low_steps = np.minimum((2 * np.pi * _STEPPED_ORDER * frames.f0_hz / frames.sample_rate_hz) ** 2, 4.0)
        beyond = stepped / fundamental > _STEPPED_OVER * np.nan_to_num(low_steps) * taken
        high_burst = np.where(beyond, np.minimum(0.25 * stepped, excess), 0.0)
        excess = np.where(10 * np.log10(excess / fundamental) > 10 * np.log10(taken) - _TAKEN_DB, excess, high_burst)
        excess_dbc = 10 * np.log10(excess / fundamental)
        peaked &= rows & ((edges < _EDGES_DBC) | (excess_dbc > edges - _EDGES_LEAVE_DB))
        peaked &= (excess > 0.0) & (excess / fundamental > _BUZZ_ROOM * buzz)
        peaked &= excess > _JITTER * steepness(frames) * usual
        peaked &= _keeps_place(place, peaked)
        level = np.where(peaked, excess / fundamental, 0.0)
        # a burst locked to the cycle makes harmonics: many high ones, stronger than the low ones
        high = np.nan_to_num(10 ** (frames.high_dbc / 10))
        for frequency_hz, level_dbc in lines:
            held = np.where(np.abs(frames.high_hz / frequency_hz - 1.0) < _NEAR_LINE, 1.0, _held(frames, frequency_hz))
            high = np.maximum(high - _LINE_ROOM * 10 ** (level_dbc / 10) * held, 0.0)
        high = np.where(_LINE_ROOM * _spurs_near(frames, rows & (high > 0)) > high, 0.0, high)
        # a low note's harmonics are as wide as the lines of a buzz lie apart
        high = np.where(high > _BUZZ_ROOM * buzz, high, 0.0)
        harmonics = np.nan_to_num(10 ** (frames.harmonics_dbc / 10))
        low = np.maximum(harmonics.sum(axis=1), _WAVES_OWN * harmonics[:, _NEXT_BELOW:].max(axis=1))
        level = level + np.where(rows & (high > low), high, 0.0)
        return Bursts(level_dbc=10 * np.log10(np.nan_to_num(level)), cycle=place)


def _last_two_dbc(frames: Frames) -> Floats:
    """Power of the last two harmonics that fit into the file, where these are not more than ten."""
    order = np.arange(2, frames.harmonics_dbc.shape[1] + 2)
    last = (order <= frames.harmonic_count[:, None]) & (order > frames.harmonic_count[:, None] - 2)
    power = np.where(last, np.nan_to_num(10 ** (frames.harmonics_dbc / 10)), 0.0).sum(axis=1)
    return np.asarray(10 * np.log10(np.maximum(power, 1e-20)))


def _held(frames: Frames, frequency_hz: float) -> Floats:
    """Part of a line's power that the nearest harmonic above the tenth holds, row by row."""
    order = np.nan_to_num(frequency_hz / frames.f0_hz)
    apart = (order - np.round(order)) * np.nan_to_num(frames.f0_hz * frames.frame_s)
    return np.asarray(np.where(order > HARMONIC_COLUMNS + 0.5, hann_response(apart) ** 2, 0.0))


def _spurs_near(frames: Frames, rows: Flags) -> Floats:
    """Power of the strongest sound beside the harmonics, at about the frequency of the high ones, some seconds about.

    A whine that wanders is one of the tone's own harmonics wherever it passes one.
    """
    out = np.zeros(len(rows))
    with np.errstate(invalid="ignore", divide="ignore"):
        own = np.round(np.log(frames.high_hz) / _SPUR_CELL)
        spur = np.log(frames.spur_hz) / _SPUR_CELL
        power = np.nan_to_num(10 ** (frames.spur_dbc / 10))
    side = round(_SPUR_S / frames.row_every_s)
    for cell in np.unique(own[rows & np.isfinite(own)]).tolist():
        here = np.where(np.abs(spur - cell) < 1.0, power, 0.0)
        of_cell = rows & (own == cell)
        out[of_cell] = running_max(here, side)[of_cell]
    return out


def _keeps_place(place: Floats, peaked: Flags) -> Flags:
    turn = np.where(peaked, np.exp(2j * np.pi * place), 0.0)
    window = np.ones(_PLACE_ROWS)
    total = np.convolve(turn, window, mode="same")[: len(place)]
    count = np.convolve(peaked.astype(float), window, mode="same")[: len(place)]
    return np.asarray(np.abs(total) > _PLACE * np.maximum(count, 3.0))


def _excess_in_cycle(frames: Frames, rows: Flags) -> tuple[Floats, Floats, Floats, Flags, Floats]:
    """Mean square over the cycle's usual residual, that of its steps, its place, whether it is a burst; the usual."""
    n = len(frames)
    excess, stepped, place, peaked = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n, dtype=bool)
    everywhere = np.zeros(n)
    parts = frames.residual_fold.shape[2]
    half = ROWS // 2
    label = np.where(rows, frames.segment, -1)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(label)) + 1, [n]])
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if label[a] < 0:
            continue
        for first in range(a, b, _AT_ONCE):
            last = min(first + _AT_ONCE, b)
            low, high = max(a, first - half), min(b, last + half)
            total = np.cumsum(np.nan_to_num(frames.residual_fold[low:high]), axis=0, dtype=np.float64)
            total = np.concatenate([np.zeros((1, 2, parts)), total])
            own = np.arange(first, last)
            begin, end = np.maximum(own - half, low) - low, np.minimum(own + half + 1, high) - low
            smooth = (total[end] - total[begin]) / (end - begin)[:, None, None]
            level, steps = smooth[:, 0], smooth[:, 1]
            usual = medians(steps, axis=1)
            everywhere[first:last] = twice = 2 * medians(level, axis=1)
            excess_power = np.maximum(level - twice[:, None], 0.0)
            peaked[first:last] = steps.max(axis=1) > _PEAKED * usual
            there = steps > _STANDS_OUT * usual[:, None]
            excess[first:last] = np.where(there, excess_power, 0.0).mean(axis=1)
            stepped[first:last] = np.where(there, np.maximum(steps - 2 * usual[:, None], 0.0), 0.0).mean(axis=1)
            place[first:last] = np.argmax(steps, axis=1) / parts
    return excess, stepped, place, peaked, everywhere
