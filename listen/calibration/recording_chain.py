"""Properties of the recording chain from short takes: volts, polarity, corner of the coupling, floor and hum."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from listen.calibration.types import Floats
from listen.errors import CaptureError
from listen.track.types import Frames
from listen.units import db_from_ratio, format_hz, ratio_from_db

LOWEST_TONE_HZ, HIGHEST_TONE_HZ = 50.0, 400.0
"""Where a common meter reads right (common practice, no source)."""
STEADY_DB = 0.2
_LEAST_TONE_S = 0.5
_LOUD_SILENCE_DBFS = -40.0
_BOUNCE_S = 0.06
_QUIET_BEFORE_S = 0.05
_LEAST_STEP_FS = 0.002
_HUM_OVER_FLOOR = 4.0
_TWO_BETTER = 0.5
_OF_A_MEDIAN = 1.2533
"""Standard deviation of a median over that of the mean of as many normal values: the root of half pi."""
_LATER_S = 0.0005
"""The fall is looked at from so long after the contact: an edge takes a few samples."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Volts:
    """Volts of full scale, from a tone and a meter.

    Attributes
    ----------
    volts_per_full_scale : float
        Peak volts at sample value 1.
    sigma : float
        What the tone's own wandering leaves open; the meter's error comes on top.
    f0_hz, level_dbfs, thd_percent : float
    """

    volts_per_full_scale: float
    sigma: float
    f0_hz: float
    level_dbfs: float
    thd_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """Result of touching a cell to the input.

    Attributes
    ----------
    inverted : bool
        The first deflection goes down.
    step_fs : float
        Its size.
    corners_hz : tuple of float
        Of the couplings in series, lowest first; empty where the input is DC-coupled.
    corner_hz : float or None
        The single corner that turns phases alike well above it: the sum. 0 is DC-coupled; None where the contact
        was too short.
    corner_sigma_hz : float
    bounces : int
        How often the contact broke before it held.
    held_s : float
    """

    inverted: bool
    step_fs: float
    corners_hz: tuple[float, ...]
    corner_hz: float | None
    corner_sigma_hz: float
    bounces: int
    held_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """Noise floor and hum of silence.

    Attributes
    ----------
    floor_dbfs : float
        R.m.s. over the whole band without the mean (a full-scale sine is 0).
    hum_hz : float or None
        50 or 60, where lines of the mains stand out.
    hum_dbfs : float or None
        All its lines together.
    dc_fs : float
    """

    floor_dbfs: float
    hum_hz: float | None
    hum_dbfs: float | None
    dc_fs: float


def volts_from_tone(frames: Frames, meter_v: float, name: str, corner_hz: float | None = None) -> Volts:
    """Find the volts of full scale.

    Parameters
    ----------
    frames : Frames
        Of a steady tone of 50 to 400 Hz.
    meter_v : float
        What the meter reads at the same jack, r.m.s.
    name : str
        The take, for messages.
    corner_hz : float, optional
        The coupling's corner, whose small loss at this pitch is undone.

    Returns
    -------
    Volts

    Raises
    ------
    CaptureError
        No steady tone, or one at which meters read wrong.
    """
    there = frames.oscillating & np.isfinite(frames.level_dbfs) & np.isfinite(frames.f0_hz)
    if np.count_nonzero(there) * 0.02 < _LEAST_TONE_S:
        raise CaptureError(f"{name}: holds no steady tone", "record a few seconds of a sine of 50 to 400 Hz")
    level, f0_hz = frames.level_dbfs[there], float(np.median(frames.f0_hz[there]))
    if not LOWEST_TONE_HZ * 0.97 <= f0_hz <= HIGHEST_TONE_HZ * 1.03:
        raise CaptureError(
            f"{name}: the tone is at {format_hz(f0_hz)}, where common meters read wrong", "record one of 50 to 400 Hz"
        )
    middle = level[(len(level) // 10) : max(len(level) - len(level) // 10, len(level) // 10 + 3)]
    span = float(np.quantile(middle, 0.95) - np.quantile(middle, 0.05))
    if span > STEADY_DB:
        raise CaptureError(
            f"{name}: the level of the tone moves by {span:.2f} dB", "let it settle, touch nothing, and record it again"
        )
    level_dbfs = float(np.median(middle))
    loss = 1.0 / math.hypot(1.0, corner_hz / f0_hz) if corner_hz else 1.0
    volts = meter_v * math.sqrt(2.0) / float(ratio_from_db(level_dbfs)) * loss
    sigma = volts * (float(ratio_from_db(float(np.std(middle)))) - 1.0)
    thd = float(np.nanmedian(frames.thd_percent[there]))
    return Volts(volts_per_full_scale=volts, sigma=sigma, f0_hz=f0_hz, level_dbfs=level_dbfs, thd_percent=thd)


def contact(x: Floats, rate_hz: float, name: str) -> Contact:
    """Read polarity and the coupling's corner from a cell touched to the input, plus to the tip.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Samples as recorded (not turned over).
    rate_hz : float
    name : str
        For messages.

    Returns
    -------
    Contact

    Raises
    ------
    CaptureError
        Nothing like a contact is in the take, or it begins with it.

    Notes
    -----
    A step through one coupling falls as exp(-2 pi fc t). Through two in series it is
    (a exp(-a t) - b exp(-b t)) / (a - b), a and b 2 pi times the corners, which crosses zero. Both are fitted to
    what follows the last bounce; the second is believed where it leaves less than half of what the first does.
    """
    quiet = max(8, int(_QUIET_BEFORE_S * rate_hz))
    if len(x) < 4 * quiet:
        raise CaptureError(f"{name}: is too short for a contact", "record two seconds: wait, touch, hold, let go")
    lag = max(1, int(0.0005 * rate_hz))
    jump = np.abs(x[lag:] - x[:-lag])
    largest = float(jump.max())
    if largest < max(_LEAST_STEP_FS, 20.0 * float(np.median(jump))):
        raise CaptureError(f"{name}: no contact is seen in it", "raise the gain; touch plus to the tip for a second")
    if int(np.argmax(jump > 0.5 * largest)) < quiet:
        raise CaptureError(f"{name}: begins with the contact", "start recording a second before you touch the input")
    base = float(np.median(x[:quiet]))
    noise = max(1.4826 * float(np.median(np.abs(x[:quiet] - base))), 1e-6)
    y = x - base
    size = float(np.abs(y).max())
    onset = int(np.argmax(np.abs(y) > max(0.2 * size, 8.0 * noise)))
    first = y[onset : onset + max(4, int(0.003 * rate_hz))]
    inverted = bool(first[np.argmax(np.abs(first))] < 0)
    up = -y if inverted else y
    step = float(np.quantile(up[onset : onset + int(0.01 * rate_hz) + 4], 0.98))
    begin, bounces = _last_bounce(up, onset, step, rate_hz)
    end = _release(up, begin, step, noise, rate_hz)
    held_s = (end - begin) / rate_hz
    base_sigma = _OF_A_MEDIAN * noise / math.sqrt(quiet)
    corners, sigma = _corners(up[begin:end], rate_hz, (noise, base_sigma), _LATER_S)
    corner = None if corners is None else float(sum(corners))
    return Contact(
        inverted=inverted,
        step_fs=step,
        corners_hz=corners or (),
        corner_hz=corner,
        corner_sigma_hz=sigma,
        bounces=bounces,
        held_s=held_s,
    )


def _last_bounce(up: Floats, onset: int, step: float, rate_hz: float) -> tuple[int, int]:
    """Return the first sample after the contact has come to hold, and how often it broke before that."""
    reach = up[onset : onset + int(_BOUNCE_S * rate_hz)]
    jump = np.diff(reach)
    breaks = np.flatnonzero(jump < -0.3 * step)
    makes = np.flatnonzero(jump > 0.3 * step)
    # a slow edge takes a few samples: those of one bounce count once
    bounces = 1 + int(np.count_nonzero(np.diff(breaks) > 0.0003 * rate_hz)) if len(breaks) else 0
    last = int(makes[-1]) + 1 if len(makes) and len(breaks) and makes[-1] > breaks[-1] else 0
    return onset + last + max(2, int(_LATER_S * rate_hz)), bounces


def _release(up: Floats, begin: int, step: float, noise: float, rate_hz: float) -> int:
    """Return the sample before the cell is let go: the next jump, or the end."""
    lag = max(1, int(0.0005 * rate_hz))
    jump = np.abs(up[begin + lag :] - up[begin:-lag])
    away = np.flatnonzero(jump > max(0.2 * step, 10.0 * noise))
    settled = int(0.002 * rate_hz)
    away = away[away > settled]
    return begin + int(away[0]) - lag if len(away) else len(up)


def _corners(
    x: Floats, rate_hz: float, noises: tuple[float, float], later_s: float
) -> tuple[tuple[float, ...] | None, float]:
    """Fit one coupling and two; None where the contact is too short to tell.

    ``noises``: standard deviations of a sample, and of the line that the contact was measured from.
    """
    from scipy.optimize import least_squares

    noise, base_sigma = noises

    if len(x) < 50:
        return None, 0.0
    keep = max(1, len(x) // 4000)
    n = len(x) // keep
    y = x[: n * keep].reshape(n, keep).mean(axis=1)
    time_s = later_s + (np.arange(n) + 0.5 * (keep - 1) / keep) * keep / rate_hz
    tenth = max(1, n // 10)
    first, last = float(y[:tenth].mean()), float(y[-tenth:].mean())
    if first == 0.0:  # nothing but zeros follow the contact: the take was edited, or its cable pulled
        return None, 0.0
    if abs(1.0 - last / first) < 0.02:
        return ((), 0.0) if time_s[-1] > 0.3 else (None, 0.0)
    size = float(np.abs(y[: max(4, n // 200)]).mean())

    def one(guess: Floats) -> Floats:
        return np.asarray(guess[0] * np.exp(-np.exp(guess[1]) * time_s) - y)

    def two(guess: Floats) -> Floats:
        a, b = np.exp(guess[1]), np.exp(guess[2])
        if abs(a - b) < 1e-6 * a:
            b *= 1.0 + 1e-5
        shape = (a * np.exp(-a * time_s) - b * np.exp(-b * time_s)) / (a - b)
        return np.asarray(guess[0] * shape - y)

    slow = math.log(2 * math.pi * 0.01)
    fast = math.log(2 * math.pi * 500.0)
    singles = [
        least_squares(one, [size, math.log(2 * math.pi * corner)], bounds=([0.0, slow], [np.inf, fast]))
        for corner in (0.3, 3.0, 30.0)
    ]
    single = min(singles, key=lambda found: found.cost)
    corner_hz = math.exp(single.x[1]) / (2 * math.pi)
    fallen = 1.0 - math.exp(-2 * math.pi * corner_hz * time_s[-1])
    if fallen < 0.3:
        return None, 0.0
    starts = [(0.3, 1.0), (0.8, 0.2), (0.5, 0.5)]
    doubles = [
        least_squares(
            two,
            [size, single.x[1] + math.log(p), single.x[1] + math.log(q)],
            bounds=([0.0, slow, slow], [np.inf, fast, fast]),
        )
        for p, q in starts
    ]
    double = min(doubles, key=lambda found: found.cost)
    pair = sorted(math.exp(value) / (2 * math.pi) for value in double.x[1:])
    believed = double.cost < _TWO_BETTER * single.cost and 2.0 * (single.cost - double.cost) > 25.0 * noise**2 / keep
    if believed and pair[0] > 0.03 * pair[1]:
        return (pair[0], pair[1]), _sigma_hz(double, pair, base_sigma)
    return (corner_hz,), _sigma_hz(single, [corner_hz], base_sigma)


def _sigma_hz(found: object, corners: list[float], base_sigma: float) -> float:
    """Return the standard deviation of the sum of the corners: the scatter's, and that of the line measured from."""
    jacobian, cost = found.jac, found.cost  # type: ignore[attr-defined]
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    # of the logarithm of each corner: what adds up to the sum of the corners
    weights = np.concatenate([[0.0], corners])
    scatter = float(weights @ inverse @ weights) * 2.0 * cost / max(1, len(jacobian) - jacobian.shape[1])
    shifted = float(weights @ inverse @ jacobian.sum(axis=0)) * base_sigma
    return math.sqrt(max(scatter, 0.0) + shifted**2)


def floor_of(x: Floats, rate_hz: float, name: str) -> Floor:
    """Measure floor and hum of silence.

    Parameters
    ----------
    x : ndarray, shape (n,)
        At least half a second.
    rate_hz : float
    name : str
        For messages.

    Returns
    -------
    Floor

    Raises
    ------
    CaptureError
        It is too short, or not silent.
    """
    if len(x) < 0.5 * rate_hz:
        raise CaptureError(f"{name}: is too short to measure the floor", "record five seconds of silence")
    dc = float(x.mean())
    if not np.any(x != x[0]):
        raise CaptureError(
            f"{name}: all samples are alike, which no input gives", "switch the input on, and look that it is not muted"
        )
    y = x - dc
    level = _dbfs(float(np.sqrt(np.mean(y**2))))
    if level > _LOUD_SILENCE_DBFS:
        raise CaptureError(
            f"{name}: is not silent ({level:.1f} dBFS)", "switch the oscillator off, leave everything connected"
        )
    spectrum, bin_hz = _spectrum(y, rate_hz)
    families = {mains: _lines(spectrum, bin_hz, mains) for mains in (50.0, 60.0)}
    mains = max(families, key=lambda key: families[key])
    power = families[mains]
    return Floor(
        floor_dbfs=level,
        hum_hz=mains if power > 0.0 else None,
        hum_dbfs=_dbfs(math.sqrt(power)) if power > 0.0 else None,
        dc_fs=dc,
    )


def _dbfs(rms: float) -> float:
    return float(db_from_ratio(max(rms, 1e-12) * math.sqrt(2.0)))


def _spectrum(y: Floats, rate_hz: float) -> tuple[Floats, float]:
    """Power of a line (its mean square) in each bin, Hann window."""
    n = min(len(y), 1 << 19)
    window = np.hanning(n)
    lines = np.abs(np.fft.rfft(y[:n] * window)) * 2.0 / window.sum()
    return 0.5 * lines**2, rate_hz / n


def _lines(spectrum: Floats, bin_hz: float, mains: float) -> float:
    """Sum of the mean squares of the mains lines that exceed their local floor."""
    total = 0.0
    for order in range(1, 7):
        at = order * mains
        if at % 300.0 == 0.0:  # both families have it
            continue
        near = slice(int((at - 1.0) / bin_hz), int((at + 1.0) / bin_hz) + 2)
        neighbours = np.concatenate(
            [
                spectrum[int((at - 9.0) / bin_hz) : int((at - 3.0) / bin_hz)],
                spectrum[int((at + 3.0) / bin_hz) : int((at + 9.0) / bin_hz)],
            ]
        )
        peak = float(spectrum[near].max(initial=0.0))
        if len(neighbours) and peak > _HUM_OVER_FLOOR**2 * float(np.median(neighbours)):
            total += peak
    return total
