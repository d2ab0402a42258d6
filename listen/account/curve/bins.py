"""Rows of the take averaged into bins of pitch: complex harmonics with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.states import ONE_PITCH_OCTAVES, states_of
from listen.account.curve.wave import ORDERS
from listen.account.windows import hann_response
from listen.bench import RecorderSettings
from listen.sorting import median
from listen.track import NEAR_DB, Frames, own_harmonics_dbc

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]
Flags = NDArray[np.bool_]

_BINS_PER_OCTAVE = 6
"""To the edges of such a bin H3 of a slewing sine changes by 1 to 2 % of the fundamental (the follower's series): it
may still be drawn by one value."""
_MOST_BINS = 12
"""24 bins changed no verdict on the takes tried, and take four times as long."""
_NEAR_OCTAVES = 0.05
"""Rows within this of the bin's middle pitch: slewing is smeared by half of the above. A turn of an octave a second has
five rows in it; in half of it there would be too few."""
_REST_ROWS, _REST_OCTAVES = 25, 0.01
"""Rows of half a second, half of them within 12 cents: the control rests there. Two rests may lie in one bin, of which
the rows near the middle show but one; while it turns an octave a second, such a part is four times as wide."""
_FEWEST_ROWS = 3
"""A median of three withstands one disturbed row; of two there is no scatter to speak of."""
_MODEL_SHARE = 0.03
"""A model is never better than this part of the distortion: corners, the order of stages. 0.06 decided alike on the
takes tried."""
_FLOOR = 2.5e-4
"""Nothing is known better than 72 dB down: an interface's own harmonics (common practice, no source). A twelfth of the
smallest limit of a harmonic, 0.3 % with a lamp."""
_TWICE = 10.0 ** (NEAR_DB / 20.0)
_LOWER_DB = 14.0
"""Rows further below the median level are left out: their noise over the fundamental is five times the usual. Half of
it would leave out all that lies an octave above the onset of slewing (6 dB an octave)."""
_SCATTER = 1.05
"""Median absolute deviation to standard deviation (1.4826), over the square root of two parts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bins:
    """Harmonics of bins of pitch, lowest first.

    Attributes
    ----------
    f0_hz : ndarray, shape (n,)
    amplitude_fs : ndarray, shape (n,)
        Of the fundamental, peak.
    r : ndarray of complex, shape (n, 9)
        H2 .. H10 over H1, phases psi_k; 0 where one does not fit.
    sigma : ndarray, shape (n, 9)
        Of real and imaginary part each; inf where a harmonic does not fit.
    noise : ndarray, shape (n, 9)
        What of it the recording's noise and the rows' scatter make.
    count : ndarray, shape (n,)
        Rows.
    own : ndarray of int, shape (rows,)
        Bin of each row of the take whose pitch has several: its wave is not the same all the time. -1 elsewhere.
    weight : float
        By which chi squared counts: the model's own error is the same in all bins.
    """

    f0_hz: Floats
    amplitude_fs: Floats
    r: Complexes
    sigma: Floats
    noise: Floats
    count: Floats
    own: NDArray[np.int64]
    weight: float

    def __len__(self) -> int:
        return len(self.f0_hz)

    @property
    def fits(self) -> Flags:
        """Harmonics that are in the file."""
        return np.isfinite(self.sigma)

    @property
    def independent(self) -> float:
        """Number of independent values: real and imaginary parts of harmonics seen, bins beyond eight not counted."""
        return max(20.0, 2.0 * float(np.count_nonzero(self.fits)) * self.weight)


def gather(
    frames: Frames, rows: Flags, recorder: RecorderSettings | None = None, buzz: tuple[float, float] | None = None
) -> Bins | None:
    """Gather rows into bins; None where there are too few.

    Parameters
    ----------
    frames : Frames
    rows : ndarray of bool, shape (n,)
        Rows whose wave is the board's own, at rest in level.
    recorder : RecorderSettings or None
        Whose own harmonics are known.
    buzz : tuple of (mains_hz, amplitude_fs), optional
        Lines at all multiples of the mains, which harmonics pass.
    """
    use = rows & np.isfinite(frames.f0_hz) & np.isfinite(frames.fundamental_dbfs)
    if np.count_nonzero(use) < _FEWEST_ROWS:
        return None
    use &= frames.fundamental_dbfs > median(frames.fundamental_dbfs[use]) - _LOWER_DB
    index = np.flatnonzero(use)
    index = index[np.argsort(frames.f0_hz[index], kind="stable")]
    log = np.log2(frames.f0_hz[index])
    own = np.full(len(frames), -1, dtype=np.int64)
    pieces: list[Any] = []
    spans: list[tuple[float, float]] = []
    divided: list[tuple[int, int, list[NDArray[np.int64]]]] = []
    for a, b in _edges(log):
        states = states_of(frames, index[a:b])
        several = len(states) > 1
        if several:
            divided.append((len(spans), len(pieces), states))
        pieces += [_of_bin(frames, rows, np.log2(frames.f0_hz[rows]), recorder, buzz) for rows in states]
        middle = float(np.log2(pieces[-1][0]))
        spans.append((float(log[a]), float(log[b - 1])) if several else (middle, middle))
    for place, first, states in divided:
        _assign(own, frames, _reach(spans, place), states, first)
    columns = [np.array(column) for column in zip(*pieces, strict=True)]
    f0, amplitude, r, sigma, noise, count = columns
    return Bins(
        f0_hz=f0,
        amplitude_fs=amplitude,
        r=r,
        sigma=sigma,
        noise=noise,
        count=count,
        own=own,
        weight=min(1.0, 8.0 / len(f0)),
    )


def _reach(spans: list[tuple[float, float]], place: int) -> tuple[float, float]:
    """Pitches at which the wave is what the states of a bin are at that time, in octaves.

    Its own and those up to the bins beside it: at the middles of these their own wave is known, where a rest may lie.
    """
    low, high = spans[place]
    first = low - ONE_PITCH_OCTAVES
    last = high + ONE_PITCH_OCTAVES
    if place > 0:
        below = spans[place - 1][1]
        first = min(below + ONE_PITCH_OCTAVES, max(first, 0.5 * (below + low)))
    if place < len(spans) - 1:
        above = spans[place + 1][0]
        last = max(above - ONE_PITCH_OCTAVES, min(last, 0.5 * (above + high)))
    return first, last


def _assign(
    own: NDArray[np.int64], frames: Frames, span: tuple[float, float], states: list[NDArray[np.int64]], first: int
) -> None:
    """Give each row of a range of pitch the state of the row of a known one that is nearest in time."""
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.log2(frames.f0_hz)
    inside = np.flatnonzero((log >= span[0]) & (log <= span[1]))
    known = np.concatenate(states)
    number = np.concatenate([np.full(len(rows), first + i) for i, rows in enumerate(states)])
    order = np.argsort(known)
    known, number = known[order], number[order]
    right = np.clip(np.searchsorted(known, inside), 1, len(known) - 1)
    nearer = np.where(inside - known[right - 1] <= known[right] - inside, right - 1, right)
    own[inside] = number[nearer]


def _edges(log: Floats) -> list[tuple[int, int]]:
    """Bounds of the bins of a sorted pitch in octaves; bins of few rows are joined to the next."""
    span = float(log[-1] - log[0])
    count = int(np.clip(np.ceil(span * _BINS_PER_OCTAVE), 1, _MOST_BINS))
    bounds = np.searchsorted(log, log[0] + span * np.arange(1, count) / count)
    out: list[tuple[int, int]] = []
    start = 0
    for stop in [*bounds.tolist(), len(log)]:
        if stop - start >= _FEWEST_ROWS:
            out.append((start, stop))
            start = stop
    if not out:
        return [(0, len(log))]
    if start < len(log):
        out[-1] = (out[-1][0], len(log))
    return [piece for a, b in out for piece in _with_rests(log, a, b)]


def _with_rests(log: Floats, a: int, b: int) -> list[tuple[int, int]]:
    """One bin; what lies beside its middle and is a rest of its own is another."""
    middle = median(log[a:b])
    low = a + int(np.searchsorted(log[a:b], middle - _NEAR_OCTAVES, side="right"))
    high = a + int(np.searchsorted(log[a:b], middle + _NEAR_OCTAVES))
    if not _is_rest(log[a:low]):
        low = a
    if not _is_rest(log[high:b]):
        high = b
    return [piece for piece in ((a, low), (low, high), (high, b)) if piece[1] > piece[0]]


def _is_rest(log: Floats) -> bool:
    return len(log) >= _REST_ROWS and float(np.subtract(*np.quantile(log, [0.75, 0.25]))) < _REST_OCTAVES


def _of_bin(
    frames: Frames,
    index: NDArray[np.int64],
    log: Floats,
    recorder: RecorderSettings | None,
    buzz: tuple[float, float] | None,
) -> tuple[float, float, Complexes, Floats, Floats, int]:
    middle = median(log)
    near = np.abs(log - middle) < _NEAR_OCTAVES
    rows = index[near] if np.count_nonzero(near) >= _FEWEST_ROWS else index
    size = 10.0 ** (frames.harmonics_dbc[rows] / 20.0)
    psi = frames.harmonic_phase_rad[rows]
    real, imag = size * np.cos(psi), size * np.sin(psi)
    with np.errstate(invalid="ignore"):
        known = np.isfinite(real).mean(axis=0) > 0.5
    r = np.zeros(ORDERS - 1, dtype=complex)
    sigma, noise = np.full(ORDERS - 1, np.inf), np.full(ORDERS - 1, np.inf)
    level = 10.0 ** (frames.fundamental_dbfs[rows] / 20.0)
    floor = 10.0 ** (frames.noise_dbfs[rows] / 20.0) / level
    one = median(floor) / np.sqrt(np.maximum(median(frames.frame_s[rows]) * frames.sample_rate_hz / 2.0, 1.0))
    count = len(rows)
    for k in np.flatnonzero(known).tolist():
        good = np.isfinite(real[:, k])
        re, im = real[good, k], imag[good, k]
        r[k] = complex(median(re), median(im))
        scatter = _SCATTER * (median(np.abs(re - r[k].real)) + median(np.abs(im - r[k].imag)))
        # frames of 40 ms every 20 ms overlap: a third of the rows are independent
        noise[k] = np.sqrt((scatter**2 + one**2) / max(count / 3.0, 1.0))
    distortion = float(np.sqrt(np.sum(np.abs(r) ** 2)))
    own = np.nan_to_num(10.0 ** (own_harmonics_dbc(recorder, 20.0 * np.log10([median(level)]))[0] / 20.0))
    if buzz is not None:
        own = np.hypot(own, buzz[1] / median(level) * _passing(frames, rows, buzz[0]))
    # what may be the recorder's, or the mains', is nothing of the board's, as far as it is known
    hidden = np.abs(r) < _TWICE * own
    r[hidden] = 0.0
    own[hidden] *= _TWICE
    sigma = np.sqrt(noise**2 + (_MODEL_SHARE * distortion) ** 2 + _FLOOR**2 + own**2)
    return float(median(frames.f0_hz[rows])), median(level), r, sigma, noise, count


def _passing(frames: Frames, rows: NDArray[np.int64], mains_hz: float) -> Floats:
    """Part of a line at the nearest multiple of the mains that the mean of each harmonic holds, H2 .. H10."""
    rows = np.sort(rows)
    at_hz = np.arange(2, ORDERS + 1)[:, None] * frames.f0_hz[rows]
    off_hz = at_hz - np.round(at_hz / mains_hz) * mains_hz
    # the line turns against the harmonic by their distance
    apart_s = np.diff(frames.time_s[rows], prepend=frames.time_s[rows[0]])
    turned = np.exp(2j * np.pi * np.cumsum(off_hz * apart_s, axis=1))
    return np.asarray(np.abs(np.mean(hann_response(off_hz * frames.frame_s[rows]) * turned, axis=1)))
