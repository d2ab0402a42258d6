"""Standard deviations of a fitted cycle, from what it leaves of the harmonics: noise, and the recorder's own error.

The weights of the fit allow for the ripple and the distortion of any interface (`fit.line_sigma`); a good one has far
less, and what it has is seen in what the fit leaves.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.waves.cycle import changed, form_error, lines_of, parabola_error
from listen.account.waves.fit import CycleFit, fit_slopes, line_sigma
from listen.account.waves.gather import WaveBin

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complexfloating[Any, Any]]

_ALLOWED = 0.02
"""Harmonics' worth that the allowance counts beside what is left: where nothing is left of a dozen harmonics, a
thirtieth of it is still held to be there."""
_TRACKER = 1e-5
"""Part of each line by which the tracker's own interpolation errs."""
_LEAST_SHARE = 4e-7
"""Cycles: phases are worked out in single precision, of 24 bits, over some operations; solved pulses
err by 1e-7, some by 1e-6."""
_HALVINGS = 50
_STEEP = 0.1
"""A slope of less of the cycle is a sawtooth's reset."""
_GROUPS, _FEWEST = (8, 32), 8
"""Harmonics are taken together up to the eighth, which tell bows, up to the 32nd, and above, which tell what is short;
fewer than eight are no group of their own."""
_FACTORS = (1e-6, 1e4)
"""Square of the recorder's error over the allowance: what is searched."""
_SQUARE_TO = 4.0
"""Times the deviation of its square, under a root, up to which a time shows by that square alone."""
_DELAYS_S = np.geomspace(0.125e-3, 0.83e-3, 8)
"""A filter's ripple is an echo of itself, 12 to 40 samples off at 48 and 96 kHz (common practice, no source): lines
nearer than one over it are off by nearly the same."""
_RIPPLE = 3e-4
"""Of the filters in use, r.m.s.: ripples of 0.0001 to 0.01 dB, evenly likely in the logarithm (common practice, no
source)."""
_SQUARES = {"share": np.pi**2 / 6, "corner": 2 * np.pi**2}
"""A straight jump of length t takes (pi k t)^2 / 6 off a line, a first-order low-pass (2 pi k t)^2 / 2."""


def deviations(bin_: WaveBin, fit: CycleFit, coupling_hz: float = 0.0) -> tuple[dict[str, float], dict[str, float]]:
    """Standard deviations of the parameters that were fitted, and what of them the form of a bow makes.

    Parameters
    ----------
    bin_ : WaveBin
    fit : CycleFit
    coupling_hz : float
        Corner of the recorder's coupling that is still in the lines, about.

    Notes
    -----
    Each line's error is noise, known from the rows' scatter, and the recorder's share of the allowance: the share with
    which chi squared is what is expected. The fit maps errors of lines to errors of parameters (``CycleFit.step``).
    What is left is held for errors of each line alone, or for a filter's ripple, which neighbours share, and the form
    of a bow, whichever moves more.
    """
    k = fit.used.astype(float)
    measured = bin_.lines[fit.used - 1]
    noise = np.hypot(bin_.sigma[fit.used - 1] / bin_.overstated, fit.gain * form_error(fit.cycle, k))
    noise = np.hypot(noise, _TRACKER * np.abs(measured))
    allowed = line_sigma(measured, np.zeros(len(k)))
    factors = _factors(measured - fit.lines(k), noise, allowed, _free_of_fit(bin_, fit))
    sigma = np.sqrt(noise**2 + factors * allowed**2)
    alone = fit.step**2 @ np.tile(factors * allowed**2, 2)
    ripple = _of_ripple(bin_, fit)
    bow = _of_bow(fit, k, coupling_hz / bin_.f0_hz)
    own = np.sqrt(fit.step**2 @ np.tile(noise**2, 2) + np.maximum(alone, ripple + bow))
    shared = np.array([fit.common_sigma.get(name, 0.0) for name in fit.free])
    out = dict(zip(fit.free, (float(v) for v in np.hypot(own, shared)), strict=True))
    for name in _SQUARES:
        if name in out and (name == "corner" or not fit.cycle.pulse):
            value, square = _time_of(fit, name), _of_square(fit, name, sigma)
            if value < _SQUARE_TO * np.sqrt(square):
                # up and down: what a noisy square leaves of a time
                up, down = np.sqrt(value**2 + square) - value, value - np.sqrt(max(value**2 - square, 0.0))
                out[name] = float(max(up, down))
    # nobody states the form of a bow: what it moves is alike in all bins of a take
    form = dict(zip(fit.free, np.sqrt(bow).tolist(), strict=True))
    return out | {"share": float(np.hypot(out["share"], _LEAST_SHARE))}, form


def _of_ripple(bin_: WaveBin, fit: CycleFit) -> Floats:
    """Square of what an ordinary ripple moves each parameter by, over its delays and phases.

    Where the lines would show one of a delay, it is no larger than what the fit leaves of them.
    """
    measured, f_hz = bin_.lines[fit.used - 1], fit.used * bin_.f0_hz
    sigma = line_sigma(measured, bin_.sigma[fit.used - 1])
    q, _ = np.linalg.qr(fit_slopes(fit, sigma))
    out = np.zeros(len(fit.free))
    for delay_s in _DELAYS_S:
        off = np.exp(2j * np.pi * delay_s * f_hz)
        both = np.array([np.concatenate([(measured * x).real, (measured * x).imag]) for x in (off.real, off.imag)])
        weighed = both / np.tile(sigma, 2)
        remaining = float(np.sum(weighed**2) - np.sum((weighed @ q) ** 2))
        square = min(_RIPPLE**2, fit.chi_square / max(remaining, 1e-30))
        out += square * np.sum((both @ fit.step.T) ** 2, axis=0)
    return out / len(_DELAYS_S)


def _of_bow(fit: CycleFit, k: Floats, coupling: float) -> Floats:
    """Square of what the form of a triangle's bow, which nobody states, moves each parameter by."""
    bend = abs(fit.cycle.bend) - coupling
    if fit.cycle.pulse or bend <= 0.0 or min(fit.cycle.share, 1.0 - fit.cycle.share) < _STEEP:
        return np.zeros(len(fit.free))
    off = fit.gain * np.exp(-2j * np.pi * k * fit.delay) * parabola_error(fit.cycle, k, bend)
    # a bow of its own size has a deviation of its own
    moved = (fit.step @ np.concatenate([off.real, off.imag])) ** 2
    return np.where(np.array(fit.free) == "bend", 0.0, moved)


def _free_of_fit(bin_: WaveBin, fit: CycleFit) -> Floats:
    """How many of each line's two parts the fit leaves free to err: 2 less its leverage."""
    sigma = line_sigma(bin_.lines[fit.used - 1], bin_.sigma[fit.used - 1])
    q, _ = np.linalg.qr(fit_slopes(fit, sigma))
    leverage = np.sum(q**2, axis=1)
    return np.asarray(2.0 - leverage[: len(sigma)] - leverage[len(sigma) :])


def _factors(residual: Complexes, noise: Floats, allowed: Floats, free: Floats) -> Floats:
    """Square of the recorder's error over what the weights allow for, of each line: low ones and high ones apart."""
    out, squares, first = np.empty(len(free)), np.abs(residual) ** 2, 0
    for last in [at for at in _GROUPS if at < len(free) - _FEWEST] + [len(free)]:
        part = slice(first, last)
        out[part] = _factor(squares[part], noise[part], allowed[part], float(np.sum(free[part])))
        first = last
    return out


def _factor(squares: Floats, noise: Floats, allowed: Floats, expected: float) -> float:
    low, high = _FACTORS
    for _ in range(_HALVINGS):
        middle = float(np.sqrt(low * high))
        chi_square = float(np.sum(squares / (noise**2 + middle * allowed**2)))
        if chi_square + _ALLOWED / middle > expected + _ALLOWED:
            low = middle
        else:
            high = middle
    return middle


def _time_of(fit: CycleFit, name: str) -> float:
    """Length of a sawtooth's reset, or time constant of a corner, in cycles."""
    return min(fit.cycle.share, 1.0 - fit.cycle.share) if name == "share" else fit.cycle.corner


def _of_square(fit: CycleFit, name: str, sigma: Floats) -> float:
    """Standard deviation of the square of a time.

    A spike goes through neither the reset nor the low-pass: it shows nothing of them.
    """
    k = fit.used.astype(float)
    effect = _SQUARES[name] * k**2 * fit.gain * np.abs(lines_of(changed(fit.cycle, {"spike_area": 0.0}), k))
    clear = effect / sigma
    return float(1.0 / max(np.sqrt(np.sum(clear**2)), 1e-12))
