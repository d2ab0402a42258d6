"""A sine that is shaped from a triangle: the shaper's offset and drive, from the harmonics.

A triangle at the shaper's input makes time and input the same: over half a cycle the output is the shaper's own curve.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.bins import Bins
from listen.circuit.loop import uncoupled

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_POINTS = 1024
_ORDERS = 9
"""H2 .. H10."""
_CERTAIN_HZ = 200.0
"""Ten times the highest ordinary corner of an input's coupling, which turns the second harmonic below."""
_FEWEST = 4
_TURNS = 12
_TAIL = 2.0 * 81.0 * (np.pi**2 / 8.0 - sum(1.0 / k**2 for k in (1, 3, 5, 7, 9)))
"""Sum of 2 a_k over odd k from 11 on, for a_k = a_9 81 / k^2; of 1 / k^2 over all odd k it is pi^2 / 8."""
_RIPPLE, _FLOOR = 3e-4, 5e-6
"""Of a harmonic, and of the fundamental: what an interface's filter, of 0.0001 to 0.01 dB of ripple, evenly likely in
the logarithm, and its own distortion, -106 dBc, make, r.m.s. (common practice, no source)."""
_RIPPLES_AN_OCTAVE = 1.0
"""Bins nearer than this share the filter's ripple (computed: echoes of 12 to 40 samples leave 0.95, 0.65 and 0.24 of it
in the mean over half an octave, one and a half and three), and all share the distortion: neither averages out."""
_OVERSTATED = 1.7
"""Noise of a bin's harmonics over their medians' own: there the scatter of the rows and the noise between the harmonics
are counted both, and a third of the rows as independent; of Hann windows that overlap by half a median has 2.1 / n of a
row's variance, not 6 / n (computed)."""
_SQUARE, _KINKS, _LEAST = 1.5, 2.0, 0.001
"""Error of an offset that is read off any curve, over itself: the offset's square over the triangle's peak, and by how
much the seventh harmonic differs from the ninth beside what the tips' kink makes of both (computed: tanh, sines,
cubics, hyperbolic sines, pieces)."""
_KINK_RATIO = 77.0 / 45.0
_STEPPED = 0.03
"""... and of diodes that take over one after the other (computed: up to 5 % with three steps a side)."""
_CORNER_HZ, _CORNER_SIGMA_HZ = 3.0, 1.2
"""Of a coupling that nobody states, 1 to 5 Hz (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShaperEstimate:
    """Offset and drive of a shaper, a value for each bin of pitch; NaN where undetermined.

    Attributes
    ----------
    f0_hz : ndarray, shape (n,)
    offset, offset_sigma : ndarray, shape (n,)
        At its input over the triangle's peak; positive where the positive half is flattened.
    drive : ndarray, shape (n,)
        Of an overdriven pair: the triangle's peak over twice the thermal voltage. NaN of another shaper.
    rise_share : ndarray, shape (n,)
        Part of the cycle that the triangle rises; NaN where no pair is stated.
    h2_dbc, h2_sigma_db, h3_dbc, h3_sigma_db : ndarray, shape (n,)
        Second harmonic in phase with the crests, and third.
    """

    f0_hz: Floats
    offset: Floats
    offset_sigma: Floats
    drive: Floats
    rise_share: Floats
    h2_dbc: Floats
    h2_sigma_db: Floats
    h3_dbc: Floats
    h3_sigma_db: Floats


def read_shaper(bins: Bins, shaper: str | None, corner_known: bool) -> ShaperEstimate | None:
    """Estimate a shaper's offset and drive; None where too few harmonics are in the file.

    Parameters
    ----------
    bins : Bins
        Harmonics of the sine along the pitch.
    shaper : {'pair', 'diodes', 'other'} or None
        Of a pair the curve is known, tanh (common practice, no source); else the curve is taken as measured.
    corner_known : bool
        The input's coupling is known, and undone: else low notes say nothing of the offset.
    """
    use = bins.fits[:, : _FEWEST - 1].all(axis=1)
    if not corner_known and (use & (bins.f0_hz >= _CERTAIN_HZ)).any():
        use &= bins.f0_hz >= _CERTAIN_HZ
    rows = np.flatnonzero(use)
    if not len(rows):
        return None
    f0, fits, noise = bins.f0_hz[rows], bins.fits[rows], bins.noise[rows] / _OVERSTATED
    r, moved = bins.r[rows], bins.r[rows]
    if not corner_known:
        r, moved = (_uncoupled(r, f0, hz) for hz in (_CORNER_HZ, _CORNER_HZ + _CORNER_SIGMA_HZ))
    # as much wider a bin as they must be for the mean of the bins to be as wide as what these share
    ripples = 1.0 + _RIPPLES_AN_OCTAVE * float(np.log2(f0.max() / f0.min()))
    of_filter = _RIPPLE * np.abs(r) * np.sqrt(max(len(rows) / ripples, 1.0))
    sigma = np.sqrt(noise**2 + of_filter**2 + len(rows) * _FLOOR**2)
    fitted, other = (np.array([_of_bin(*row, shaper) for row in zip(x, fits, sigma, strict=True)]) for x in (r, moved))
    h2, h3 = np.abs(r[:, 0].real), np.abs(r[:, 1])
    turned = np.abs(moved[:, :2] - r[:, :2])
    with np.errstate(divide="ignore"):
        return ShaperEstimate(
            f0_hz=f0,
            offset=fitted[:, 0],
            offset_sigma=np.hypot(fitted[:, 3], other[:, 0] - fitted[:, 0]),
            drive=fitted[:, 1],
            rise_share=fitted[:, 2],
            h2_dbc=20 * np.log10(np.maximum(h2, 1e-9)),
            h2_sigma_db=8.686 * np.hypot(sigma[:, 0], turned[:, 0]) / np.maximum(h2, sigma[:, 0]),
            h3_dbc=20 * np.log10(np.maximum(h3, 1e-9)),
            h3_sigma_db=8.686 * np.hypot(sigma[:, 1], turned[:, 1]) / np.maximum(h3, sigma[:, 1]),
        )


def _uncoupled(r: Complexes, f0_hz: Floats, corner_hz: float) -> Complexes:
    """H2 .. H10 over H1 before a coupling."""
    lines = uncoupled(np.concatenate([np.ones((len(r), 1)), r], axis=1), f0_hz, corner_hz)
    return np.asarray(lines[:, 1:] / np.abs(lines[:, :1]))


def _of_bin(
    r: Complexes, fits: NDArray[np.bool_], sigma: Floats, shaper: str | None
) -> tuple[float, float, float, float]:
    """Offset, drive and rise share of the triangle, and the offset's standard deviation."""
    if shaper == "pair":
        return _pair(r, fits, sigma)
    offset = offset_of_curve(r.real)
    total = r[0].real / offset if offset else np.inf
    kinks = 0.0
    if fits[[5, 7]].all():
        seventh, ninth = (float(2.0 * k**2 * r[k - 2].real / (k**2 - 4.0)) for k in (7, 9))
        kinks = _KINKS * (seventh - _KINK_RATIO * ninth) / total
    stepped = 0.0 if shaper == "other" else _STEPPED
    of_form = abs(offset) * float(np.sqrt(_LEAST**2 + (_SQUARE * offset**2) ** 2 + kinks**2 + stepped**2))
    return offset, float("nan"), float("nan"), float(np.hypot(sigma[0] / abs(total), of_form))


def offset_of_curve(lines: Floats) -> float:
    """Offset of any shaper, over the triangle's peak, from H2 .. over H1, in phase with the crests.

    With an offset o the output is g(x + o), to first order g + o g'. Of x = 1 - 2 t / pi over half a cycle, g' is the
    slope of the odd harmonics a_k; its second harmonic is the sum of 2 k^2 a_k / (k^2 - 4). Above the ninth, the kink
    at the tips makes them fall as 1 / k^2.
    """
    k = np.arange(1, len(lines) + 2)
    odd = np.where(k % 2 == 1, np.concatenate([[1.0], lines]), 0.0)
    total = np.sum(2.0 * k**2 * odd / np.where(k == 2, 1.0, k**2 - 4.0))
    if len(lines) >= _ORDERS:
        total += _TAIL * odd[_ORDERS - 1]
    return float(lines[0] / total)


def pair_lines(drive: float, offset: float, rise_share: float) -> Complexes:
    """H2 .. H10 over H1 of tanh(drive (x + offset)), x a triangle of peak 1: phases as in ``Bins``."""
    t = np.arange(_POINTS) / _POINTS
    rising = t < rise_share
    x = np.where(rising, 2 * t / rise_share - 1, 1 - 2 * (t - rise_share) / (1 - rise_share))
    lines = np.fft.rfft(np.tanh(drive * (x + offset)))[1 : _ORDERS + 2]
    k = np.arange(1, _ORDERS + 2)
    turned = lines * np.exp(-1j * k * np.angle(lines[0])) / np.abs(lines[0])
    return np.asarray(turned[1:])


def _pair(r: Complexes, fits: NDArray[np.bool_], sigma: Floats) -> tuple[float, float, float, float]:
    """Offset, drive and rise share of an overdriven pair, by Gauss and Newton's steps."""
    values = np.array([1.4, float(np.clip(offset_of_curve(r.real), -0.3, 0.3)), 0.5])
    low, high = np.array([0.3, -0.6, 0.3]), np.array([6.0, 0.6, 0.7])
    steps = np.array([1e-4, 1e-5, 1e-5])

    def off(at: Floats) -> Floats:
        residual = (r - pair_lines(*at.tolist()))[fits]
        return np.concatenate([residual.real, residual.imag])

    for _ in range(_TURNS):
        here = off(values)
        slopes = np.array([(off(values + np.eye(3)[i] * steps[i]) - here) / steps[i] for i in range(3)]).T
        inverse = np.linalg.pinv(slopes)
        move = -inverse @ here
        values = np.clip(values + np.clip(move, -0.3, 0.3), low, high)
        if np.max(np.abs(move)) < 1e-7:
            break
    each = np.concatenate([sigma[fits], sigma[fits]])
    residual = off(values) / each
    # what another curve than a pair leaves over moves the offset as much as noise would
    misfit = max(1.0, float(np.sqrt(residual @ residual / max(len(residual) - 3, 1))))
    own = misfit * float(np.sqrt(inverse[1] ** 2 @ each**2))
    return float(values[1]), float(values[0]), float(values[2]), own
