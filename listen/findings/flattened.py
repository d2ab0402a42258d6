"""Clipped, slew-limited and dead-band sines as a truncated Fourier series shows them.

From five harmonics a clip measures another crest and another flat top than the complete wave. The exact series of a
hard clip, truncated to the same number of harmonics and tabulated over the clip level, gives the measured value of each
depth; the inverse of the table gives the true crest loss.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.sorting import distinct
from listen.track import SINE_FLAT

Floats = NDArray[np.floating[Any]]

_POINTS = 2048
"""Points of a cycle: a sine's flat span, 6.4 % of it, is then known to 0.8 % of itself."""
MOST = 32
"""From so many harmonics on the sum reads like the whole wave: losses of 2 to 8 % to 0.2 points (computed)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipTable:
    """Hard clips of increasing depth, as measured from a given number of harmonics.

    Attributes
    ----------
    loss : ndarray, shape (m,)
        True crest loss: of one half against the other, or of both against the fundamental.
    read_loss, read_flat : ndarray, shape (m,)
        Values of the truncated sum: crest loss, and flat top relative to a sine's.
    h2, h3 : ndarray, shape (m,)
        Amplitudes over the fundamental.
    """

    loss: Floats
    read_loss: Floats
    read_flat: Floats
    h2: Floats
    h3: Floats


def clip_harmonics(level: float | Floats, orders: int, both: bool) -> Floats:
    """Harmonics 1 .. orders of cos(phi) clipped at a level, one half or both.

    Parameters
    ----------
    level : float or ndarray, shape (m,)
        0 to 1; a wave of amplitude 1 is cut there.
    orders : int
    both : bool

    Returns
    -------
    ndarray, shape (orders,) or (m, orders)
        Cosine amplitudes, signed; a_1 first.

    References
    ----------
    Conduction-angle integrals of a class-C stage: any radio handbook (common practice).
    """
    cut = np.asarray(level)[..., None]
    t = np.arccos(cut)
    k = np.arange(2, orders + 1)
    r1 = (t - cut * np.sin(t)) / np.pi
    rk = (np.sin((k - 1) * t) / (k - 1) - np.sin((k + 1) * t) / (k + 1)) / (np.pi * k)
    if both:
        rk = np.where(k % 2 == 1, 2 * rk, 0.0)
        r1 = 2 * r1
    return np.concatenate([1 - r1, -rk], axis=-1)


def read_sum(harmonics: Floats) -> tuple[Floats, Floats, Floats]:
    """Positive and negative crest over the fundamental, and flat top relative to a sine's, of sums of cosines.

    Parameters
    ----------
    harmonics : ndarray, shape (m, orders)
        Cosine amplitudes, a_1 first.
    """
    spectrum = np.zeros((len(harmonics), _POINTS // 2 + 1))
    spectrum[:, 1 : harmonics.shape[1] + 1] = harmonics * (_POINTS / 2)
    cycle = np.fft.irfft(spectrum, _POINTS, axis=1)
    top = cycle.max(axis=1)
    flat = np.count_nonzero(cycle >= 0.98 * top[:, None], axis=1) / _POINTS / SINE_FLAT
    return top / harmonics[:, 0], -cycle.min(axis=1) / harmonics[:, 0], flat


@lru_cache(maxsize=128)
def clip_table(orders: int, both: bool) -> ClipTable:
    """Table of hard clips measured from ``orders`` harmonics, in order of depth.

    Parameters
    ----------
    orders : int
        Harmonics that fit, 2 .. 32.
    both : bool
        Both halves, else the positive one.
    """
    levels = np.concatenate([np.linspace(0.9995, 0.9, 40), np.linspace(0.895, 0.3, 40)])
    harmonics = clip_harmonics(levels, max(3, orders), both)
    first = harmonics[:, 0]
    up, down, flat = read_sum(harmonics[:, :orders])
    angle = np.arccos(levels)
    missing = (np.sin(angle) - levels * angle) / np.pi
    loss = 1 - levels / first if both else 1 - (levels + missing) / (1 - missing)
    read = 1 - up if both else 1 - up / down
    table = np.column_stack([loss, read, flat, abs(harmonics[:, 1] / first), abs(harmonics[:, 2] / first)])
    # Gibbs ripple makes the measured loss non-monotonic: the running maximum can be inverted
    table[:, 1] = np.maximum.accumulate(table[:, 1])
    return ClipTable(loss=table[:, 0], read_loss=table[:, 1], read_flat=table[:, 2], h2=table[:, 3], h3=table[:, 4])


def put_back(read_loss: Floats, table: ClipTable) -> Floats:
    """True crest loss of a measured one: the inverse of the table."""
    x = np.concatenate([[0.0], table.read_loss])
    rising = np.concatenate([[True], np.diff(x) > 1e-9])
    true: Floats = np.interp(read_loss, x[rising], np.concatenate([[0.0], table.loss])[rising])
    return true


def true_loss(read_loss: Floats, orders: NDArray[np.int64], both: bool) -> Floats:
    """Crest loss of the complete wave from the loss measured with ``orders`` harmonics, for a hard clip."""
    out = read_loss.copy()
    for k in distinct(orders):
        if k < 3:
            continue
        table = clip_table(int(min(k, MOST)), both)
        rows = orders == k
        out[rows] = put_back(read_loss[rows], table)
    return out


def hard_share(read_loss: Floats, read_flat: Floats, orders: NDArray[np.int64], both: bool) -> Floats:
    """Flat top of a half cycle on a scale from a sine (0) to a hard clip of the same crest loss (1)."""
    out = np.full(len(read_loss), np.nan)
    for k in distinct(orders):
        if k < 4:
            continue
        table = clip_table(int(min(k, MOST)), both)
        rows = orders == k
        hard = np.interp(read_loss[rows], table.read_loss, table.read_flat)
        with np.errstate(divide="ignore", invalid="ignore"):
            out[rows] = np.where(hard > 1.02, (read_flat[rows] - 1) / (hard - 1), np.nan)
    return out


@lru_cache(maxsize=32)
def _slewed_spectrum(ratio: float) -> NDArray[np.complex128]:
    """Spectrum of one cycle of a unit sine through an ideal slew-rate limiter."""
    n = 4096
    phi = 2 * np.pi * np.arange(n) / n
    limit = 1.0 / ratio
    if ratio >= np.sqrt(1 + np.pi**2 / 4):
        out = limit * (np.pi / 2 - np.abs(phi - np.pi))
    else:
        # limiting starts where the sine's slope exceeds the limit and ends where the ramp meets the sine again
        leaves = -np.arccos(limit)
        meets, ends = 0.0, np.pi
        for _ in range(60):
            middle = 0.5 * (meets + ends)
            below = np.sin(leaves) + limit * (middle - leaves) < np.sin(middle)
            meets, ends = (middle, ends) if below else (meets, middle)
        # the falling half is the rising one inverted
        half = (phi - leaves) % np.pi + leaves
        rising = np.where(half < meets, np.sin(leaves) + limit * (half - leaves), np.sin(half))
        out = np.where((phi - leaves) % (2 * np.pi) < np.pi, rising, -rising)
    spectrum: NDArray[np.complex128] = np.fft.rfft(out) * 2 / n
    return spectrum


def slewed_harmonics(ratio: float, orders: int) -> NDArray[np.complex128]:
    """Harmonics of a sine through an ideal slew-rate limiter.

    Parameters
    ----------
    ratio : float
        Pitch over the full-power pitch, at which the sine's own slope just reaches the limit; 1 or more.
    orders : int

    Returns
    -------
    ndarray of complex, shape (orders,)
        Relative to the fundamental, with phases psi_k against it.

    Notes
    -----
    The output is a ramp from the point where the sine becomes too steep to the point where it meets the sine again;
    from a ratio of sqrt(1 + pi^2 / 4) on it never does, and the output is a triangle.
    """
    spectrum = _slewed_spectrum(ratio)[: orders + 1]
    k = np.arange(1, orders + 1)
    relative: NDArray[np.complex128] = spectrum[1:] / np.abs(spectrum[1]) * np.exp(-1j * k * np.angle(spectrum[1]))
    return relative


def tapered_slope(harmonics: NDArray[np.complex128]) -> float:
    """Maximum slope over the fundamental's, of a Lanczos-tapered sum, as the tracker measures it."""
    orders = len(harmonics)
    k = np.arange(1, orders + 1)
    taper = np.sinc(k / (orders + 1))
    spectrum = np.zeros(_POINTS // 2 + 1, dtype=complex)
    spectrum[1 : orders + 1] = 1j * k * harmonics * taper / taper[0] * (_POINTS / 2)
    slope = np.fft.irfft(spectrum, _POINTS)
    return float(np.abs(slope).max() / abs(harmonics[0]))


@lru_cache(maxsize=64)
def slew_table(orders: int) -> tuple[Floats, Floats, Floats]:
    """Measured and true slope over the sine's, and H3 over H1, for pitches rising from the full-power bandwidth."""
    ratios = np.array([1.0, 1.02, 1.05, 1.1, 1.15, 1.2, 1.3, 1.5, 1.7, 1.87])
    read, true, third = [], [], []
    for ratio in ratios:
        h = slewed_harmonics(float(ratio), 64)
        first = _first_amplitude(float(ratio))
        read.append(tapered_slope(h[:orders]))
        true.append(min(1.0, 1.0 / ratio / first))
        third.append(abs(h[2]))
    return np.array(read), np.array(true), np.array(third)


@lru_cache(maxsize=1)
def slew_lines() -> tuple[Floats, Floats, Floats]:
    """H3 over H1 of slew-limited sines, increasing, its phase psi_3 (a dead band's is 0), and H5 over H1."""
    ratios = (1.02, 1.05, 1.08, 1.1, 1.12, 1.15, 1.2, 1.3, 1.5)
    lines = np.array([slewed_harmonics(ratio, 5) for ratio in ratios])
    return np.abs(lines[:, 2]), np.angle(lines[:, 2]), np.abs(lines[:, 4])


def _first_amplitude(ratio: float) -> float:
    """Fundamental of the slew-limited sine over the sine's amplitude."""
    return float(np.abs(_slewed_spectrum(ratio)[1]))


def dead_band_harmonics(band: float, orders: int) -> NDArray[np.complex128]:
    """Harmonics 1 .. orders over the fundamental of a sine through a dead band of ``band`` of its peak on each side."""
    t = np.arccos(band)
    k = np.arange(2, orders + 1)
    r1 = (t - band * np.sin(t)) / np.pi
    rk = (np.sin((k - 1) * t) / (k - 1) - np.sin((k + 1) * t) / (k + 1)) / (np.pi * k)
    return np.concatenate([[1.0], np.where(k % 2 == 1, rk / r1, 0.0)]).astype(complex)


@lru_cache(maxsize=64)
def dead_band_table(orders: int) -> tuple[Floats, Floats]:
    """H3 over H1, increasing, and the tapered slope of a dead band with that H3."""
    harmonics = [dead_band_harmonics(float(d), max(3, orders)) for d in np.geomspace(1e-3, 0.4, 24)]
    return np.array([abs(h[2]) for h in harmonics]), np.array([tapered_slope(h[:orders]) for h in harmonics])


def dead_band_ratio(h3: Floats) -> Floats:
    """Half the width of a dead band over the driving peak, from H3 over H1 of a sine through it."""
    bands = np.concatenate([[0.0], np.geomspace(1e-4, 0.4, 60)])
    thirds = []
    for d in bands:
        t = np.arccos(d)
        r1 = (t - d * np.sin(t)) / np.pi
        r3 = (np.sin(2 * t) / 2 - np.sin(4 * t) / 4) / (3 * np.pi)
        thirds.append(r3 / r1)
    ratio: Floats = np.interp(h3, np.abs(np.array(thirds)), bands)
    return ratio
