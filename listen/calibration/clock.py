"""The interface's clock, from a take of a tone whose pitch is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from listen.errors import CaptureError
from listen.track import Frames

_SHORTEST_S = 5.0
_STEADY_PPM = 20.0
"""Quartz keeps to a hundredth of that over seconds; what is tuned by hand wanders by hundreds."""
_LARGEST_ERROR_PPM = 50e3


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """The interface's clock against a stated reference.

    Attributes
    ----------
    error_ppm : float
        How much faster than nominal it runs.
    sigma_ppm : float
    reference_hz : float
    """

    error_ppm: float
    sigma_ppm: float
    reference_hz: float


def clock_from(frames: Frames, reference_hz: float, name: str) -> Clock:
    """Measure the clock from a take of a tone whose pitch is known.

    Parameters
    ----------
    frames : Frames
        Tracked at the nominal rate.
    reference_hz : float
    name : str
        The take, for messages.

    Returns
    -------
    Clock

    Raises
    ------
    CaptureError
        No steady tone, or one of another pitch.
    """
    f0_hz = frames.f0_hz[frames.oscillating & np.isfinite(frames.f0_hz)][5:-5]
    if len(f0_hz) * frames.row_every_s < _SHORTEST_S:
        raise CaptureError(f"{name}: holds less than five seconds of tone", "record ten seconds of the reference")
    ppm = 1e6 * (reference_hz / f0_hz - 1.0)
    middle = float(np.mean(ppm))
    if abs(middle) > _LARGEST_ERROR_PPM:
        raise CaptureError(
            f"{name}: its tone is at {float(np.mean(f0_hz)):.6g} Hz, not near {reference_hz:g} Hz",
            "give --clock-hz the pitch of the reference that was recorded",
        )
    seconds = np.array_split(ppm, max(2, int(len(ppm) * frames.row_every_s)))
    means = np.array([float(np.mean(part)) for part in seconds])
    if float(np.std(means)) > _STEADY_PPM:
        raise CaptureError(
            f"{name}: the tone moves by {float(np.std(means)):.0f} ppm from second to second",
            "record a reference of quartz or better, and nothing that is tuned by hand",
        )
    sigma = float(np.std(means, ddof=1) / np.sqrt(len(means)))
    return Clock(error_ppm=middle, sigma_ppm=sigma, reference_hz=reference_hz)
