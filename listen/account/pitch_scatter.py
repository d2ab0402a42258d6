"""Pitch scatter in steady segments: jitter and frequency modulation, linear drift removed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.modulation import MOST_SMEAR, Swing, smeared, two_steps_leave
from listen.account.steady import SteadySegment
from listen.account.tone import BoardTone
from listen.account.windows import hann_response
from listen.fitting import legendre_columns, orthonormal, without
from listen.sorting import median, median_of_known
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_SMOOTH_S, _SMOOTH_CYCLES = 0.02, 4.0
"""Half width of the window that smooths the pitch (Hann): it leaves half of wavering at 25 Hz, and averages over two
cycles' frames that overlap."""
_SHORTEST_S = 0.3
"""In less a turn at 3 Hz is a bend."""
_BEND = 0.25
"""One smooth bend that leaves less than this part of the variance is the end of a turn, not wavering."""
_FLAT_FROM = 0.3
"""Wavering passes through its extremes and stays nowhere: about a tenth of its time is flat. Tuning by hand stays."""
_STEPS_LEAVE = 0.1
"""Nor is it wavering where two steps leave so little of the variance: a hand that touches the control again. Of a sine
they leave 0.6 or more at 2.5 turns."""
_NOISE_MARGIN, _OVER_NOISE = 1.5, 2.0
"""Noise is worked out as white and for one frame's length: it may be half as large again. And scatter must be twice of
that, so that what is left of the square is more than its own error."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wavering:
    """Pitch scatter of one steady segment.

    Attributes
    ----------
    segment : SteadySegment
    rms_cents : float
        The recording's noise taken off.
    drift_cents_per_min : float
    rate_hz : float or None
        Where one rate holds half of it.
    swing_cents : float
        R.m.s. of what goes along with the level's swing, taken off.
    """

    segment: SteadySegment
    rms_cents: float
    drift_cents_per_min: float
    rate_hz: float | None
    swing_cents: float


def find_wavering(
    frames: Frames, tone: BoardTone, segments: list[SteadySegment], swings: list[Swing], barred: Flags
) -> list[Wavering]:
    """Measure the pitch scatter of each steady segment, the part correlated with an AM swing removed."""
    out = []
    for segment in segments:
        rates = [s.rate_hz for s in swings if s.segment is segment]
        found = _wavering_of(frames, tone, segment, rates, barred)
        if found is not None:
            out.append(found)
    return out


def _wavering_of(
    frames: Frames, tone: BoardTone, segment: SteadySegment, rates: list[float], barred: Flags
) -> Wavering | None:
    a, b = segment.first, segment.stop
    if segment.retune_s is not None:
        a += round(0.25 / tone.grid_s)
    if (b - a) * tone.grid_s < _SHORTEST_S or barred[a:b].any():
        return None
    t = tone.time_s[a:b]
    width_s = max(_SMOOTH_S, _SMOOTH_CYCLES / segment.f0_hz)
    cents = _smooth(1200 * np.log2(tone.f0_hz[a:b] / segment.f0_hz), max(1, round(width_s / tone.grid_s)))
    place = np.linspace(-1, 1, len(cents))
    slope = float(np.polyfit(t - t.mean(), cents, 1)[0])
    swing = np.zeros_like(cents)
    if rates:
        columns = [np.ones_like(place), place]
        for rate in rates:
            for k in (1, 2):
                columns += [np.cos(2 * np.pi * k * rate * t), np.sin(2 * np.pi * k * rate * t)]
        basis = np.array(columns).T
        size = np.linalg.lstsq(basis, cents, rcond=None)[0]
        swing = basis[:, 2:] @ size[2:]
    rest = cents - swing
    straight = without(orthonormal(legendre_columns(place, 1)), rest)
    curved = without(orthonormal(legendre_columns(place, 3)), rest)
    if np.mean(curved**2) < _BEND * np.mean(straight**2):
        straight = curved
    if _flat_share(cents, tone.grid_s) > _FLAT_FROM or two_steps_leave(rest) < _STEPS_LEAVE * len(rest) * np.var(rest):
        return None
    noise = _NOISE_MARGIN * _pitch_noise(frames, segment, width_s)
    rms = float(np.sqrt(max(float(np.mean(straight**2)) - noise**2, 0.0)))
    if rms < _OVER_NOISE * noise:
        return None
    rate_hz = _rate(straight, tone.grid_s)
    if rate_hz is not None:
        gain = smeared(rate_hz, segment.f0_hz, tone.grid_s) * float(hann_response(2.0 * rate_hz * width_s))
        rms /= max(gain, MOST_SMEAR)
    return Wavering(
        segment=segment,
        rms_cents=rms,
        drift_cents_per_min=60 * slope,
        rate_hz=rate_hz,
        swing_cents=float(np.sqrt(np.mean(swing**2))),
    )


def _smooth(values: Floats, width: int) -> Floats:
    if width < 2 or len(values) < 3 * width:
        return values
    window = np.hanning(2 * width + 1)[1:-1]
    window /= window.sum()
    half = len(window) // 2
    return np.convolve(np.pad(values, half, mode="edge"), window, mode="valid")


def _flat_share(cents: Floats, grid_s: float) -> float:
    """Part of the time in which the pitch moves by less than a tenth of its scatter in 0.15 s, and on the way.

    One look would take a pitch that comes back just then for one that stays.
    """
    lags = [max(1, round(seconds / grid_s)) for seconds in (0.15, 0.11, 0.07)]
    if len(cents) < 3 * lags[0]:
        return 0.0
    count = len(cents) - lags[0]
    moved = np.max([np.abs(cents[lag : lag + count] - cents[:count]) for lag in lags], axis=0)
    return float(np.mean(moved < 0.1 * np.std(cents)))


def _pitch_noise(frames: Frames, segment: SteadySegment, width_s: float) -> float:
    """R.m.s. scatter of the smoothed pitch due to the recording's noise alone, in cents."""
    near = (frames.time_s >= segment.start_s) & (frames.time_s <= segment.end_s) & frames.oscillating
    if not near.any():
        return 0.0
    ratio = median_of_known(10 ** ((frames.noise_dbfs[near] - frames.fundamental_dbfs[near]) / 20))
    samples = max(0.008, 2.0 / segment.f0_hz) * frames.sample_rate_hz
    phase = ratio * np.sqrt(1.5 / samples)
    return float(1200 / np.log(2) * phase * np.sqrt(2.0) / (2 * np.pi * 0.5 * width_s * segment.f0_hz))


def _rate(cents: Floats, grid_s: float) -> float | None:
    """Rate of a periodic frequency modulation."""
    power = np.abs(np.fft.rfft(cents * np.hanning(len(cents)), 4 * len(cents))) ** 2
    rate = np.fft.rfftfreq(4 * len(cents), grid_s)
    best = int(np.argmax(np.where(rate > 2.0 / (len(cents) * grid_s), power, 0.0)))
    near = np.abs(rate - rate[best]) < 2.0 / (len(cents) * grid_s)
    return float(rate[best]) if power[near].sum() > 0.5 * power.sum() else None


def mean_level(segment: SteadySegment, tone: BoardTone) -> float:
    """Median level in a segment, natural logarithm."""
    return median(tone.log_level[segment.first : segment.stop])
