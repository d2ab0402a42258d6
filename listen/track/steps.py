"""Steps of the phase that no oscillator makes: samples missing or repeated."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from listen.track.phase import PhaseCurve
from listen.track.types import Floats, PhaseStep

_SIDE = 8
_GAP = 4
_LEAST_CYCLES = 0.004
_OVER_NOISE = 12.0


def phase_steps(knots: list[tuple[int, PhaseCurve, NDArray[np.bool_]]], rate_hz: float) -> tuple[PhaseStep, ...]:
    """Find places where the phase jumps and the pitch stays.

    Parameters
    ----------
    knots : list of (stretch, PhaseCurve, which of its knots belong to the part)
    rate_hz : float

    Returns
    -------
    tuple of PhaseStep
        In order of time.

    Notes
    -----
    A straight line is fitted to the residue of the phase on each side of a gap as long as a short frame; the lines must have
    the same slope, and miss each other by far more than the residue scatters about them.
    """
    found: list[PhaseStep] = []
    for _, curve, inside in knots:
        found.extend(_steps_of(curve, inside, rate_hz))
    found.sort(key=lambda step: step.time_s)
    return tuple(found)


def _line_fits(residue: Floats) -> tuple[Floats, Floats, Floats]:
    """Value at the middle, slope and scatter of lines through each run of ``_SIDE`` points."""
    place = np.arange(_SIDE) - 0.5 * (_SIDE - 1)
    views = np.lib.stride_tricks.sliding_window_view(residue, _SIDE)
    middle = views.mean(axis=1)
    slope = views @ place / (place @ place)
    scatter = np.sqrt(np.mean((views - middle[:, None] - slope[:, None] * place) ** 2, axis=1))
    return middle, slope, scatter


def _steps_of(curve: PhaseCurve, inside: NDArray[np.bool_], rate_hz: float) -> list[PhaseStep]:
    n = len(curve.residue)
    reach = _SIDE + _GAP
    if n < 2 * reach + 1:
        return []
    middle, slope, scatter = _line_fits(curve.residue)
    centre = np.arange(reach, n - reach)
    left = centre - reach
    right = centre + _GAP + 1
    arm = _GAP + 0.5 * (_SIDE + 1)
    jump = (middle[right] - arm * slope[right]) - (middle[left] + arm * slope[left])
    bend = np.abs(slope[right] - slope[left]) * arm
    noise = np.maximum(scatter[left], scatter[right])
    typical = np.median(scatter)
    size = np.abs(jump)
    good = (size > _LEAST_CYCLES) & (size > _OVER_NOISE * np.maximum(noise, typical)) & (bend < 0.25 * size)
    steps: list[PhaseStep] = []
    last = -10 * reach
    for i in np.flatnonzero(good):
        near = slice(max(0, i - reach), i + reach + 1)
        if size[i] < size[near].max() or centre[i] - last < reach or not inside[centre[i]]:
            continue
        last = int(centre[i])
        samples = jump[i] / curve.slopes[centre[i]]
        steps.append(
            PhaseStep(
                time_s=float(curve.samples[centre[i]] / rate_hz),
                cycles=float((jump[i] + 0.5) % 1.0 - 0.5),
                missing_samples=float(samples),
            )
        )
    return steps
