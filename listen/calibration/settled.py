"""The settled pitch of a hold, its uncertainty, and how long it took."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from listen.calibration.plateaus import Trace
from listen.calibration.types import Floats
from listen.track.types import Frames
from listen.units import cents_between, hz_from_cents

SETTLED_CENTS = 3.0
"""A pitch within this of its settled value has settled; about what is heard (common practice, no source)."""
LAST_PART = 1.0 / 3.0
_SIGMAS = 4.0
_FLOOR_CENTS = 0.003
_CLICK_SHARE = 0.2
_AT_THE_ENDS = 0.35
"""Of a slope of the phase under a Hann window of length 1: the kernel w t / 0.0163 has the energy 28.1, its integral
1.7; of a mean over n such frames two of the latter remain, over n squared: sqrt(2 * 1.7 / 28.1)."""
_GUARD_S = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Settled pitch of one hold.

    Attributes
    ----------
    f0_hz, f0_sigma_cents : float
        Geometric mean over the last third and its standard deviation.
    settling_s : float or None
        None where it never stays within 3 cents.
    moving_cents : float
        Change over the last third, along a straight line.
    unsettled : bool
        It comes within 3 cents only in its last third, or leaves them again there.
    """

    f0_hz: float
    f0_sigma_cents: float
    settling_s: float | None
    moving_cents: float
    unsettled: bool


def settled(frames: Frames, trace: Trace, start_s: float, end_s: float) -> Settled | None:
    """Measure one hold.

    Parameters
    ----------
    frames : Frames
    trace : Trace
        The pitch between the frames, for the settling.
    start_s, end_s : float

    Returns
    -------
    Settled or None
        None where nothing oscillates in its last third.
    """
    first_s = end_s - LAST_PART * (end_s - start_s)
    half_s = 0.5 * frames.frame_s
    there = frames.oscillating & np.isfinite(frames.f0_hz) & (frames.time_s - half_s >= first_s - 1e-9)
    # A jump already bends the guide phase of the frame before the one that holds it.
    inside = there & (frames.time_s + 2.0 * half_s + _GUARD_S <= end_s)
    if np.count_nonzero(inside) < 3:
        inside = there & (frames.time_s + half_s <= end_s + 1e-9)
    if np.count_nonzero(inside) >= 3:
        time_s = frames.time_s[inside].astype(np.float64)
        cents = cents_between(frames.f0_hz[inside].astype(np.float64), 1.0)
        span_s = float(np.median(frames.frame_s[inside]))
        own = frames.f0_sigma_cents[inside].astype(np.float64)
    else:  # a hold shorter than a few frames
        near = (trace.time_s >= first_s) & (trace.time_s <= end_s)
        time_s, cents, span_s, own = trace.time_s[near], trace.value[near], 0.02, np.zeros(0)
        if not len(time_s):
            return None
    mean = float(cents.mean())
    slope, around = _line(time_s, cents)
    independent = max(1.0, (time_s[-1] - time_s[0] + span_s) / span_s)
    known = float(np.sqrt(np.mean(own**2))) if len(own) else 0.0
    sigma = _sigma_of_mean(around, known, independent)
    moving = slope * LAST_PART * (end_s - start_s)
    doubt = _SIGMAS * np.sqrt(12.0) * max(around, known) / np.sqrt(independent)
    settling_s = _settling_s(trace, start_s, end_s, mean, SETTLED_CENTS + 2.0 * around)
    late = settling_s is None or settling_s > (1.0 - LAST_PART) * (end_s - start_s) + 0.02
    return Settled(
        f0_hz=float(hz_from_cents(mean, 1.0)),
        f0_sigma_cents=float(sigma),
        settling_s=settling_s,
        moving_cents=float(moving),
        unsettled=late or bool(abs(moving) > max(2.0 * SETTLED_CENTS, doubt)),
    )


def _sigma_of_mean(around: float, known: float, independent: float) -> float:
    """Standard deviation of the mean of overlapping frames.

    Parameters
    ----------
    around : float
        Scatter of the frames, cents.
    known : float
        What the recording's noise makes of it.
    independent : float
        Frames that do not overlap.

    Notes
    -----
    Noise of the recording is noise of the phase: in the mean of many frames it stays at the two ends alone, so that it
    falls with the length, not with its root. What scatters beyond it is the oscillator's own, independent from frame to
    frame; less than the scatter of that estimate is none.
    """
    chance = 1.0 + np.sqrt(2.0 / max(independent - 1.0, 1.0))
    own_scatter = np.sqrt(max(around**2 - chance * known**2, 0.0) / independent)
    return float(max(np.hypot(own_scatter, _AT_THE_ENDS * known / independent), _FLOOR_CENTS))


def _line(time_s: Floats, cents: Floats) -> tuple[float, float]:
    """Slope in cents a second, and the scatter about it."""
    if len(time_s) < 3:
        return 0.0, float(np.std(cents))
    at = time_s - time_s.mean()
    slope = float(at @ cents / (at @ at))
    return slope, float(np.sqrt(np.sum((cents - cents.mean() - slope * at) ** 2) / (len(cents) - 2)))


def _settling_s(trace: Trace, start_s: float, end_s: float, mean: float, near: float) -> float | None:
    # the last cell of the grid may hold the next change already
    inside = (trace.time_s >= start_s) & (trace.time_s <= end_s - 0.015)
    time_s, off = trace.time_s[inside], np.abs(trace.value[inside] - mean)
    # single points stand out now and then; three together are the pitch
    if len(off) >= 3:
        off = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(off, 1, mode="edge"), 3), axis=1)
    away = np.flatnonzero(off > near)
    # a click near the end is no creep: what settles is away all the time, or for good
    late = away[time_s[away] > end_s - LAST_PART * (end_s - start_s)]
    if len(late) < _CLICK_SHARE * LAST_PART * len(time_s):
        away = away[: len(away) - len(late)]
    if not len(away):
        return 0.0
    if away[-1] + 1 >= len(time_s):
        return None
    return float(time_s[away[-1] + 1] - start_s)
