"""One growing or dying tone fitted to samples: e^(st) cos(wt + p), with exponentials for the thump of power on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

_ROUNDS = 15
"""Fits of true growths and decays end after 2 to 6 rounds, of ones that bend within what is fitted after 14 at most;
where 15 are not enough what is fitted is no exponential throughout."""
_DONE = 0.01
"""Step, in standard deviations, with which the fit ends: nothing that is stated shows less. Where the samples are no
exponential, steps get shorter slowly and the deviation is large, so that no time goes into a fit that is not used."""
_DEPENDENT = 1e-12
"""Columns closer to collinear than this cannot be separated in double precision."""
_THUMP_SPANS = (0.15, 0.6)
"""Time constants of the thump's exponentials, of the length that is fitted; the mean is the slowest of them."""
_MODEL_SHARE = 0.003
"""A straight growth is straight to this part of its level: coupling and the limiter's first bend."""
_CYCLES_FOR_BEND = 6.0
"""Fewer cycles do not tell a bend from the thump."""
_MOST_BEND = 1.0
"""A limiter's first bend over the tone, at the loud end: one that is larger is the tone itself, of a third the rate."""
_LARGEST_STEP = 0.3
"""Largest step of rate and pitch in a round, of one over the length that is fitted."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exponential:
    """A fitted growth.

    Attributes
    ----------
    rate_per_s, sigma_per_s : float
    f0_hz : float
    amplitude : float
        At the loud end.
    residual : ndarray, shape (n,)
        What is left of the samples.
    rms : float
        Of the residual, in the weights' units: 1 where noise and model error are as expected.
    settled : bool
        Further rounds would change nothing.
    """

    rate_per_s: float
    sigma_per_s: float
    f0_hz: float
    amplitude: float
    residual: Floats
    rms: float
    settled: bool


def fit_exponential(
    time_s: Floats, x: Floats, rate_per_s: float, f0_hz: float, noise: float, thump: bool
) -> Exponential | None:
    """Fit a growing tone by least squares.

    Parameters
    ----------
    time_s, x : ndarray, shape (n,)
        The last sample is the loud end, time 0 there.
    rate_per_s, f0_hz : float
        First guesses.
    noise : float
        Standard deviation of the samples' noise.
    thump : bool
        Power came on within what is fitted: exponentials beside the tone.

    Returns
    -------
    Exponential or None
        None where no amplitude, rate and pitch describe the samples.

    Notes
    -----
    A limiter's first bend is of third order: it adds e^(3st) (cos wt, sin wt) to a growth (Stuart and Landau, from
    memory), which is fitted too.

    Gauss and Newton's method over rate and pitch, all amplitudes eliminated (Golub and Pereyra, SIAM J. Numer. Anal.
    10, 1973, from memory: the simplified derivative).
    """
    length = float(time_s[-1] - time_s[0])
    if len(x) < 12 or length <= 0:
        return None
    s, w = rate_per_s, 2 * np.pi * f0_hz
    bent = length * f0_hz > _CYCLES_FOR_BEND
    others = _offset_columns(time_s, thump, bent)
    loud = float(np.max(np.abs(x[-max(4, len(x) // 8) :]))) or 1e-12
    weight = 1.0 / np.sqrt(noise**2 + (_MODEL_SHARE * loud * np.exp(np.minimum(s * time_s, 0.0))) ** 2)
    weighted = x * weight
    settled = turned_over = False
    for _ in range(_ROUNDS):
        grown = np.exp(s * time_s)
        cos, sin = grown * np.cos(w * time_s), grown * np.sin(w * time_s)
        bend = [cos * grown**2, sin * grown**2] if bent else []
        basis = np.array([cos, sin, *bend, *others]).T * weight[:, None]
        if not np.isfinite(basis).all():
            return None
        q, triangle = np.linalg.qr(basis)
        scale = np.abs(np.diag(triangle))
        if scale.min() < _DEPENDENT * scale.max():
            return None
        size = np.linalg.solve(triangle, q.T @ weighted)
        tone = size[0] * cos + size[1] * sin
        turned = size[1] * cos - size[0] * sin
        if bent:
            tone = tone + 3.0 * (size[2] * bend[0] + size[3] * bend[1])
            turned = turned + size[3] * bend[0] - size[2] * bend[1]
        slopes = np.array([tone * time_s, turned * time_s]).T * weight[:, None]
        rest = weighted - basis @ size
        free = slopes - q @ (q.T @ slopes)
        normal = free.T @ free
        down = free.T @ rest
        step = _step(normal, down, _LARGEST_STEP / length * 4)
        if step is None:
            return None
        s, w = s + float(step[0]), w + float(step[1])
        if not (np.isfinite(s) and np.isfinite(w)) or w <= 0 or abs(s) > w:
            return None
        if bent and not turned_over and float(np.hypot(*size[2:4])) > _MOST_BEND * float(np.hypot(*size[:2])):
            s, turned_over = 3.0 * s, True
            continue
        settled = float(step @ down) < _DONE**2 * max(float(np.mean(rest**2)), 1.0)
        if settled:
            break
    rms = float(np.sqrt(np.mean(rest**2)))
    try:
        variance = float(np.linalg.inv(normal)[0, 0])
    except np.linalg.LinAlgError:
        return None
    return Exponential(
        rate_per_s=s,
        sigma_per_s=float(np.sqrt(max(variance, 0.0))) * max(rms, 1.0),
        f0_hz=w / (2 * np.pi),
        amplitude=float(np.hypot(size[0], size[1])),
        residual=np.asarray(rest / weight),
        rms=rms,
        settled=settled,
    )


def _offset_columns(time_s: Floats, thump: bool, bent: bool) -> list[Floats]:
    """Columns of an offset and of the thump; or, where many cycles tell it, of what is left of an earlier one."""
    length = float(time_s[-1] - time_s[0])
    out: list[Floats] = [np.ones(len(time_s))]
    if thump:
        out += [np.exp((time_s[0] - time_s) / (share * length)) for share in _THUMP_SPANS]
    elif bent:
        out += [time_s / length, (time_s / length) ** 2]
    return out


def _step(normal: Floats, down: Floats, most: float) -> Floats | None:
    """Change of rate and pitch, neither of more than ``most``; None where the samples do not tell them."""
    try:
        step: Floats = np.clip(np.linalg.solve(normal, down), -most, most)
    except np.linalg.LinAlgError:
        return None
    return step
