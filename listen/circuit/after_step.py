"""Growth of the level right after a quick retune: what the gain is off there, before the control of the level acts."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.account.settling import Settling
from listen.account.tone import BoardTone
from listen.circuit.types import Growth
from listen.sorting import median

Floats = NDArray[np.floating[Any]]

_SHOWS_DB = 0.1
"""A level that moves by less after a retune shows no growth."""
_SKIP_S, _SKIP_CYCLES = 0.03, 2.0
"""Short frames that hold some of the move say nothing of the level."""
_WIDTHS = (8, 11, 16, 23, 33, 48)
"""Places of the grid, of 5 ms each, that a polynomial is laid through, each 1.4 times the last: the narrowest holds
40 ms, the widest 0.24 s, in which the slowest loops have hardly turned."""
_GAINS = 6.0
"""Chi squared by which two more orders may better a polynomial, which noise does by two: one that gains more lies
through what bends more than it does."""
_CORRELATED = 3.0
"""Places of the grid that share a short frame."""
_ORDERS = (3, 5)
_SHARE = 0.012
"""Of a rate: short frames average over two cycles and more, in which the loop goes on (solved loops of three kinds)."""
_NEAR_S, _FRAME_S = 0.5, 0.008
"""Rows about the move whose noise is the level's; and the short frames' own length, of low notes two cycles."""
_LEAST_NOISE, _USUAL_NOISE = 5e-5, 3e-4
"""Of the level, in its logarithm: as far as the tracker knows it in a quiet take; and where no noise was measured."""
_LARGEST_SIGMA = 0.5
"""A rate that is less sure than by half of itself, and slower than a twentieth a second, tells nothing."""
_STILL_PER_S = 0.05


def growth_after_steps(account: Account) -> tuple[Growth, ...]:
    """Growth at the first moment after each quick retune that frames without the move show.

    Parameters
    ----------
    account : Account

    Notes
    -----
    Slope of the level's logarithm: of the loop's growth at the gain that it has at that moment. The gain in hand is
    another one: the control holds it back.
    """
    if account.tone is None:
        return ()
    found = (_after(account, account.tone, s) for s in account.settlings if s.ring and s.deviation_db > _SHOWS_DB)
    return tuple(growth for growth in found if growth is not None)


def _after(account: Account, tone: BoardTone, settling: Settling) -> Growth | None:
    a = tone.index(settling.retune_s + max(_SKIP_S, _SKIP_CYCLES / settling.f0_hz))
    y = tone.log_level[a : a + _WIDTHS[-1]]
    if len(y) < _WIDTHS[0] or not np.isfinite(y).all():
        return None
    noise = _noise(account, float(tone.time_s[a]), settling.f0_hz)
    rate, sigma, width = first_slope(y, tone.grid_s, noise)
    if sigma > max(_LARGEST_SIGMA * abs(rate), _STILL_PER_S):
        return None
    f0_hz = median(tone.f0_hz[a : a + width])
    return Growth(
        kind="after-step",
        start_s=float(tone.time_s[a]),
        end_s=float(tone.time_s[a + width - 1]),
        f0_hz=f0_hz,
        rate_per_s=rate,
        sigma_per_s=sigma,
        per_radian=rate / math.hypot(2 * math.pi * f0_hz, rate),
        cycles=(width - 1) * tone.grid_s * f0_hz,
        span_db=20 / math.log(10) * float(np.ptp(y[:width])),
    )


def _noise(account: Account, start_s: float, f0_hz: float) -> float:
    """Standard deviation of the level's logarithm in one short frame, from the noise beside the tone."""
    frames = account.frames
    near = np.abs(frames.time_s - start_s) < _NEAR_S
    below_db = (frames.noise_dbfs - frames.fundamental_dbfs)[near]
    known = below_db[np.isfinite(below_db)]
    if not len(known):
        return _USUAL_NOISE
    samples = max(_FRAME_S, _SKIP_CYCLES / f0_hz) * frames.sample_rate_hz
    sigma = 10.0 ** (median(known) / 20.0) / math.sqrt(0.5 * samples)
    return max(float(sigma), _LEAST_NOISE)


def first_slope(y: Floats, step_s: float, noise: float) -> tuple[float, float, int]:
    """Slope of a curve at its first place, by the surest of the polynomials that leave no more than noise.

    Parameters
    ----------
    y : ndarray, shape (n,)
    step_s : float
    noise : float
        Standard deviation of a place.

    Returns
    -------
    slope, sigma : float
    width : int
        Places that were used.

    Examples
    --------
    >>> t = np.arange(48) * 0.005
    >>> slope, sigma, _ = first_slope(0.3 * np.exp(-t / 0.08), 0.005, 1e-4)
    >>> bool(abs(slope + 0.3 / 0.08) < 3.0 * sigma < 1.0)
    True
    """
    tried = [
        _polynomial(y[:width], step_s, order, noise)
        for order in _ORDERS
        for width in _WIDTHS
        if order + 3 < width <= len(y)
    ]
    fitting = [found for found in tried if found[2] < _GAINS]
    if fitting:
        slope, sigma, _, width = min(fitting, key=lambda found: found[1])
        return slope, math.hypot(sigma, _SHARE * slope), width
    # nothing is narrow enough: what bends least, and how far the next one is from it
    (slope, sigma, _, width), (other, *_) = sorted(tried, key=lambda found: found[2])[:2]
    return slope, math.hypot(sigma, slope - other), width


def _polynomial(y: Floats, step_s: float, order: int, noise: float) -> tuple[float, float, float, int]:
    """First slope of a polynomial, its deviation, by what two more orders better its chi squared, and its places."""
    columns = np.vander(np.linspace(0.0, 1.0, len(y)), order + 3, increasing=True)
    inverse = np.linalg.pinv(columns[:, : order + 1])
    size = inverse @ y
    remaining = y - columns[:, : order + 1] @ size
    bettered = np.linalg.lstsq(columns, y, rcond=None)[0]
    gained = float(remaining @ remaining) - float(np.sum((y - columns @ bettered) ** 2))
    length_s = step_s * (len(y) - 1)
    sigma = noise * math.sqrt(_CORRELATED * float(np.sum(inverse[1] ** 2))) / length_s
    return float(size[1]) / length_s, sigma, gained / noise**2, len(y)
