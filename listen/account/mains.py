"""Mains hum: lines at whole multiples of 50 or 60 Hz, fixed in hertz whatever the tone does.

Looked for in the recording itself, over windows of 0.8 s: long enough to part lines 5 Hz from a harmonic of the tone,
short enough for a second of hum. A line counts where no harmonic of the tone passes near it, where it stands out of
what lies beside it, where it has no mirror on the other side of the tone (as a sideband of a swing
has), and where its phase goes on from window to window.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.lowrate import SampleSource, read_low, response
from listen.account.mains_wander import unturned, wander_rad
from listen.account.mains_windows import HOP_S, ORDERS, WINDOW_S, Windows, windows_of
from listen.account.tone import BoardTone
from listen.account.windows import hann_response
from listen.sorting import median
from listen.track import MAINS_HZ, Frames

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]
Flags = NDArray[np.bool_]

_GUARD_HZ = 5.0
"""A harmonic nearer than this to a line hides it: the window's main lobe is 2.5 Hz on each side, a voice is wider."""
_TREMOR_HZ = 15.0
"""... and while the pitch moves, so near: a hand trembles at 8 to 12 Hz (common practice, no source), and the mirror
that tells its sidebands from a line is not there."""
_FLOOR_HZ = (3.75, 7.5)
"""Where the floor beside a line is read, on both sides: from three bins off, where the line itself is 41 dB down
(Hann)."""
_QUARTER = 2
"""Of eight bins the third smallest: the skirt of a tone may lie on the four of one side."""
_OVER_FLOOR = 10 ** (10.0 / 20)
"""A line stands so far over its floor: noise does once in 200 windows, and then its phase does not go on. 6 dB and 14
dB decided alike on the takes tried."""
_MIRROR = 0.5
"""A line whose mirror about the tone is so large is a sideband: a swing's two are equal within 6 dB but where level and
pitch swing alike, a line has none."""
_MIRROR_REACH_HZ = 130.0
"""Sidebands are looked for up to twice 60 Hz from the tone, where its pitch keeps still."""
_HIGH_ORDER, _MOST_RISE = 3, 10 ** (26.0 / 20)
"""A multiple above the third is no more than so far over the strongest lower one that could be seen: twenty times,
chosen wide."""
_STAYS = 0.5
"""Power of the low multiples where a high one is gone, against where it is there: within 3 dB they stay the same."""
_LOOKED_FOR, _WITH_LOW = 0.3, 0.2
"""Where the lowest three were looked for in so many windows and found in so few of those with high ones, the high ones
are no mains'. Chosen."""
_SKIRT_BINS = 1.5
"""Inside the Hann window's main lobe: a line there is weaker than at its own frequency, by 15 dB."""
_IN_STEP = 0.8
"""Cosine of the phase's departure from a steady turn, from one window to one that shares half of it: one random phase
in five comes to it, and a run of windows does not."""
_ALIKE = 0.35
"""A line that was known elsewhere keeps its size and phase to so much, 20 degrees or 3 dB, unless the mains wanders
meanwhile."""
_OFF_NOMINAL = 0.0055
"""Mains keeps within half a per cent (EN 50160 gives 1 % for 99.5 % of a year: from memory; grids that are not islands
keep 0.4 %)."""
_AT_THE_BOUND = 0.99
"""A frequency that ends at the bound of the fit is no mains that a grid would deliver."""
_PASSES, _SETTLED_HZ = 4, 0.002
"""Until the frequency keeps: two do mostly. 0.002 Hz off turns the eighth multiple by 5 degrees in a window."""
_TURNS_ALIKE_RAD = 0.6
"""Departure in phase over half a window, of one multiple from what the strongest has: twice what noise 10 dB under a
line does in a single pair of windows."""
_SHARED_ORDER_HZ = 300.0
"""Multiples of both 50 and 60 Hz do not tell which it is."""
_FAINT_DBC = -72.0
"""Below this nothing is taken off: it moves no number that is judged, 22 dB under the limit of hum."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MainsLines:
    """Mains lines of a take, window by window.

    Attributes
    ----------
    mains_hz : float
        50 or 60, as it really runs.
    time_s : ndarray, shape (w,)
        Centres of windows, 0.1 s apart.
    lines_hz : ndarray, shape (8,)
    amplitude : ndarray of complex, shape (w, 8)
        Peak amplitude in full scale, and phase at the file's first sample; 0 where a line was looked for and is not
        there.
    seen : ndarray of bool, shape (w, 8)
        The line could be looked for: no harmonic of the tone was near, and floor and skirts were under its usual size.
    level_dbc : ndarray, shape (w,)
        R.s.s. of the lines relative to the tone, or to its settled level where there is no tone; -inf where none.
    singing : ndarray of bool, shape (w,)
        The window holds some of the tone.
    wander_rad : ndarray, shape (w,)
        Phase of the first multiple against a steady turn at ``mains_hz``.
    buzz_power : float
        Sum of the squared peak amplitudes of the multiples above those: a part of the level.
    buzz_line : float
        Squared peak amplitude of a strong one of them.
    """

    mains_hz: float
    time_s: Floats
    lines_hz: Floats
    amplitude: Complexes
    seen: Flags
    level_dbc: Floats
    singing: Flags
    wander_rad: Floats
    buzz_power: float = 0.0
    buzz_line: float = 0.0

    def buzz_over(self, frames: Frames) -> Floats:
        """Power of the high multiples against the fundamental's, row by row."""
        with np.errstate(invalid="ignore"):
            return np.asarray(self.buzz_power / 10 ** (frames.fundamental_dbfs / 10))

    def hidden_over(self, frames: Frames) -> Floats:
        """Power of the lines that a harmonic hides, as they are elsewhere, against the fundamental's, row by row."""
        usual = np.nan_to_num(_usual(self.amplitude, np.abs(self.amplitude) > 0.0), posinf=0.0)
        power = np.where(self.seen, 0.0, usual**2).sum(axis=1)
        with np.errstate(invalid="ignore"):
            return np.asarray(np.interp(frames.time_s, self.time_s, power) / 10 ** (frames.fundamental_dbfs / 10))

    @property
    def worth_subtracting(self) -> bool:
        """Whether it is strong enough anywhere to affect a measurement."""
        return bool(len(self.level_dbc)) and float(self.level_dbc.max()) > _FAINT_DBC


def find_mains(capture: SampleSource, tone: BoardTone | None, harmonics: int, half_orders: bool) -> MainsLines | None:
    """Find mains lines.

    Parameters
    ----------
    capture : Samples
    tone : BoardTone or None
    harmonics : int
        How many harmonics the tone has that could hide a line.
    half_orders : bool
        The tone has lines at half orders too.

    Returns
    -------
    MainsLines or None
        None where the take is too short to tell, or where no line was found.
    """
    low, rate_hz = read_low(capture)
    windows = windows_of(low, rate_hz, capture, tone)
    if windows is None:
        return None
    best: MainsLines | None = None
    most = 0.0
    for mains in MAINS_HZ:
        found = _lines(windows, mains, harmonics, half_orders, capture, tone)
        if abs(found.mains_hz / mains - 1.0) > _AT_THE_BOUND * _OFF_NOMINAL:
            continue  # wind, a wandering tone: the fit would go on
        own = np.abs(found.lines_hz / _SHARED_ORDER_HZ - np.round(found.lines_hz / _SHARED_ORDER_HZ)) > 0.01
        power = float(np.sum(np.abs(found.amplitude[:, own]) ** 2))
        if power > most:
            best, most = found, power
    return best


def _lines(
    windows: Windows,
    nominal_hz: float,
    harmonics: int,
    half_orders: bool,
    capture: SampleSource,
    tone: BoardTone | None,
) -> MainsLines:
    orders = np.arange(1, ORDERS + 1)
    mains_hz = nominal_hz
    counted: Flags = np.zeros((len(windows.time_s), ORDERS), dtype=bool)
    amplitude: Complexes = np.zeros((len(windows.time_s), ORDERS), dtype=complex)
    seen = counted
    floor: Floats = np.zeros(counted.shape)
    for _ in range(_PASSES):
        # from the second time at the frequency at which the phases turn
        lines_hz = orders * mains_hz
        seen = ~_hidden(windows, lines_hz, harmonics, half_orders)
        amplitude = _at(windows, lines_hz)
        floor = _OVER_FLOOR * _floor(windows, lines_hz)
        clear = np.abs(amplitude) > floor
        able = seen & clear & ~_mirrored(windows, lines_hz, amplitude)
        turned = _standing(amplitude, lines_hz, windows.time_s)
        even = unturned(turned, wander_rad(turned, counted))
        counted = able & _steady(even, able, orders)
        # one that is known from elsewhere is no sideband, though another multiple may lie opposite
        counted |= seen & clear & _alike(even, counted)
        counted &= _plausible(amplitude, counted, seen)
        moved = _off_nominal(turned, counted, orders)
        mains_hz = float(np.clip(mains_hz + moved, nominal_hz * (1 - _OFF_NOMINAL), nominal_hz * (1 + _OFF_NOMINAL)))
        if abs(moved) < _SETTLED_HZ:
            break
    peaks = _peaks(windows, lines_hz, amplitude)
    counted &= peaks
    counted &= _plausible(amplitude, counted, seen)
    # what lies on the skirt of a stronger line is neither told nor missing
    on_skirt = (np.abs(amplitude) > floor) & ~peaks
    seen &= counted | (~on_skirt & (floor < _usual(amplitude, counted)))
    counted = _with_the_low_ones(amplitude, counted, seen)
    gain = response(lines_hz, capture.true_rate_hz)
    turned = np.asarray(np.where(counted, _standing(amplitude, lines_hz, windows.time_s), 0.0) / gain, dtype=complex)
    settled = 0.0 if tone is None else tone.settled_log
    against = np.where(np.isfinite(windows.tone_log), windows.tone_log, settled)
    with np.errstate(divide="ignore"):
        level = 10 * np.log10(np.sum(np.abs(turned) ** 2, axis=1)) - 20 / np.log(10) * against
    return MainsLines(
        wander_rad=wander_rad(turned, counted),
        mains_hz=mains_hz,
        time_s=windows.time_s,
        lines_hz=lines_hz,
        amplitude=turned,
        seen=seen,
        level_dbc=level,
        singing=np.isfinite(windows.f_low),
    )


def _hidden(windows: Windows, lines_hz: Floats, harmonics: int, half_orders: bool) -> Flags:
    """Lines masked by a harmonic (or half order) of the tone in each window."""
    hidden = np.zeros((len(windows.time_s), len(lines_hz)), dtype=bool)
    step = 0.5 if half_orders else 1.0
    order = step
    lowest = windows.f_low[np.isfinite(windows.f_low)]
    if not len(lowest):
        return hidden
    guard = np.where(windows.still, _GUARD_HZ, _TREMOR_HZ)
    while order <= harmonics and order * float(lowest.min()) < lines_hz[-1] + float(guard.max()):
        low, high = order * windows.f_low - guard, order * windows.f_high + guard
        with np.errstate(invalid="ignore"):
            hidden |= (lines_hz > low[:, None]) & (lines_hz < high[:, None])
        order += step
    return hidden


def _at(windows: Windows, f_hz: Floats) -> Complexes:
    """Amplitude at some frequencies, phase at each window's centre; between bins by the window's own shape.

    A Hann-windowed line of frequency bin k + d has the bins H(d), H(d - 1) ..; the two nearest give its amplitude.
    """
    place = np.broadcast_to(np.asarray(f_hz) / windows.bin_hz, (len(windows.time_s), np.shape(f_hz)[-1]))
    near = np.clip(np.round(place).astype(np.int64), 1, windows.spectra.shape[1] - 2)
    rows = np.arange(len(windows.time_s))[:, None]
    out = np.zeros(place.shape, dtype=complex)
    weight = np.zeros(place.shape)
    for step in (-1, 0, 1):
        bins = near + step
        gain = hann_response(place - bins)
        # phase of bin b at the window's centre: it turned by pi b since the window's start
        out += gain * windows.spectra[rows, bins] * np.where(bins % 2 == 0, 1.0, -1.0)
        weight += gain**2
    return np.asarray(out / weight)


def _floor(windows: Windows, lines_hz: Floats) -> Floats:
    """Local noise floor of each line, r.m.s., from the lower quartile of its neighbouring bins: the tone may leak."""
    low, high = (max(3, round(edge / windows.bin_hz)) for edge in _FLOOR_HZ)
    steps = np.array([*range(-high, -low + 1), *range(low, high + 1)])
    bins = np.round(lines_hz / windows.bin_hz).astype(np.int64)[:, None] + steps
    bins = np.clip(bins, 1, windows.spectra.shape[1] - 1)
    power = np.abs(windows.spectra[:, bins]) ** 2
    power.partition(_QUARTER, axis=2)
    return np.asarray(np.sqrt(power[:, :, _QUARTER] / -np.log(0.75)))


def _mirrored(windows: Windows, lines_hz: Floats, amplitude: Complexes) -> Flags:
    """Lines mirrored at the tone by one of similar level: sidebands of its modulation."""
    with np.errstate(invalid="ignore"):
        still = windows.still
        middle = 0.5 * (windows.f_low + windows.f_high)
        mirror = 2 * middle[:, None] - lines_hz
        asked = still[:, None] & (np.abs(lines_hz - middle[:, None]) < _MIRROR_REACH_HZ)
        asked &= (mirror > 3 * windows.bin_hz) & (mirror < (windows.spectra.shape[1] - 4) * windows.bin_hz)
    if not asked.any():
        return np.zeros(amplitude.shape, dtype=bool)
    safe = np.where(asked, np.nan_to_num(mirror), 100.0)
    other = np.max([np.abs(_at(windows, safe + step)) for step in (-windows.bin_hz, 0.0, windows.bin_hz)], axis=0)
    return np.asarray(asked & (other > _MIRROR * np.abs(amplitude)))


def _peaks(windows: Windows, lines_hz: Floats, amplitude: Complexes) -> Flags:
    """Lines that are local maxima: leakage of another line is not."""
    skirts = [np.abs(_at(windows, lines_hz + step * windows.bin_hz)) for step in (-_SKIRT_BINS, _SKIRT_BINS)]
    return np.asarray(np.abs(amplitude) > np.maximum(*skirts))


def _standing(amplitude: Complexes, lines_hz: Floats, time_s: Floats) -> Complexes:
    """Complex amplitudes referred to time zero."""
    return np.asarray(amplitude * np.exp(-2j * np.pi * lines_hz * time_s[:, None]))


def _plausible(amplitude: Complexes, counted: Flags, seen: Flags) -> Flags:
    """Reject high multiples without low ones: a sideband of the tone may coincide with one."""
    out = counted.copy()
    low = seen[:, :_HIGH_ORDER]
    known = np.asarray(low.any(axis=0))
    if not known.any():
        return out
    with_low, with_high = (np.count_nonzero(side.any(axis=1)) for side in np.split(counted, [_HIGH_ORDER], axis=1))
    if low.mean() > _LOOKED_FOR and with_low < _WITH_LOW * with_high:
        out[:, _HIGH_ORDER:] = False
        return out
    usual = np.array([np.median(np.abs(amplitude[low[:, k], k])) if known[k] else 0.0 for k in range(_HIGH_ORDER)])
    # hum may last a second of a long take: what stands beside a high multiple is the low ones of its own window
    low_line = np.where(low, np.abs(amplitude[:, :_HIGH_ORDER]), 0.0).max(axis=1)
    strongest = np.where(low.any(axis=1), low_line, float(usual.max()))
    out[:, _HIGH_ORDER:] &= np.abs(amplitude[:, _HIGH_ORDER:]) < _MOST_RISE * strongest[:, None]
    return out


def _with_the_low_ones(amplitude: Complexes, counted: Flags, seen: Flags) -> Flags:
    """Reject high multiples that come and go while the low ones stay: notes of another sound, a voice."""
    out = counted.copy()
    low = np.sum(np.where(counted[:, :_HIGH_ORDER], np.abs(amplitude[:, :_HIGH_ORDER]) ** 2, 0.0), axis=1)
    for k in range(_HIGH_ORDER, counted.shape[1]):
        here, gone = counted[:, k], seen[:, k] & ~counted[:, k]
        if here.any() and np.count_nonzero(gone) > np.count_nonzero(here):
            out[:, k] &= not median(low[gone]) > _STAYS * median(low[here])
    return out


def _steady(turned: Complexes, counted: Flags, orders: NDArray[np.int64]) -> Flags:
    """Lines coherent in phase with the window half a length earlier or later."""
    lag = round(0.5 * WINDOW_S / HOP_S)
    if len(turned) <= lag:
        return counted.copy()
    both = counted[lag:] & counted[:-lag]
    step = np.where(both, turned[lag:] * turned[:-lag].conj(), 0.0)
    mean = np.sum(step, axis=0)
    most = 2 * np.pi * _OFF_NOMINAL * 50.0 * orders * lag * HOP_S
    turn = np.clip(np.angle(mean), -most, most)
    with np.errstate(invalid="ignore", divide="ignore"):
        good = both & (np.cos(np.angle(step) - turn) > _IN_STEP)
    out = np.zeros_like(counted)
    out[lag:] |= good
    out[:-lag] |= good
    return out


def _usual(amplitude: Complexes, counted: Flags) -> Floats:
    """Usual amplitude of each line; infinite where it was never found, so that none counts as missing."""
    sizes = [np.abs(amplitude[counted[:, k], k]) for k in range(counted.shape[1])]
    return np.array([median(size) if len(size) else np.inf for size in sizes])


def _alike(turned: Complexes, counted: Flags) -> Flags:
    """Windows whose line agrees in amplitude and phase with the other windows, for segments too short on their own."""
    out = np.zeros_like(counted)
    for k in np.flatnonzero(counted.any(axis=0)).tolist():
        own = turned[counted[:, k], k]
        usual = complex(np.median(own.real), np.median(own.imag))
        out[:, k] = np.abs(turned[:, k] - usual) < _ALIKE * abs(usual)
    return out


def _off_nominal(turned: Complexes, counted: Flags, orders: NDArray[np.int64]) -> float:
    """Deviation of the mains frequency from nominal, from the phases of all its lines."""
    lag = round(0.5 * WINDOW_S / HOP_S)
    if len(turned) <= lag:
        return 0.0
    both = counted[lag:] & counted[:-lag]
    step = np.sum(np.where(both, turned[lag:] * turned[:-lag].conj(), 0.0), axis=0)
    weight = np.abs(step)
    if not weight.sum():
        return 0.0
    strongest = int(np.argmax(weight))
    first = float(np.angle(step[strongest])) / orders[strongest]
    rest = np.angle(step * np.exp(-1j * orders * first))
    # a multiple that turns otherwise than the strongest one is a piece of the tone
    weight = np.where(np.abs(rest) < _TURNS_ALIKE_RAD, weight, 0.0)
    moved = first + float(np.sum(weight * orders * rest) / np.sum(weight * orders**2))
    return float(moved / (2 * np.pi * lag * HOP_S))
