"""A take of the loopback stimulus: distortion, floor, coupling, response and polarity of the recorder by itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from listen.calibration.loopback import (
    BAND,
    FADE_S,
    LEVELS_DBFS,
    MARKER_S,
    PULSE_EVERY_S,
    PULSE_S,
    PULSES,
    STEP_DBFS,
    TEST_HZ,
    Slot,
    loopback_slots,
    marker,
    slots_of,
)
from listen.calibration.recording_chain import Floor, floor_of
from listen.calibration.types import Floats
from listen.errors import CaptureError
from listen.sorting import median

ORDERS = range(2, 11)
_STANDS_OUT = 8.0
"""A marker's correlation over the usual: that of noise stays below 5 over a minute of samples."""
_LAST_LEAST = 0.5
"""The last marker is as strong as the first, unless a gain moved between them."""
_CLOCKS_APART = 2e-3
"""An interface's clock is known to 100 ppm (common practice, no source), a player without a crystal to 1000."""
_CLIPS_FS = 0.999
_FOLLOWS_DB = 0.5
"""Levels that come back otherwise by more than this pass through an automatic gain or a limiter."""
_NEIGHBOURS = (0.05, 0.07, 0.09, 0.11)
"""Where the noise beside a harmonic is measured, in parts of the test frequency: 50 lines away and more."""
_BLOCK = 512
_THERE = 3.0
"""A harmonic is told from the noise beside it where it is three times that."""
_LOWS_HZ = 450.0
"""A coupling of 20 Hz takes 0.01 dB there."""
_TWO_BETTER = 25.0
"""A second coupling is believed where chi squared falls by so much."""
_REPEATS_DB = 0.0005
"""Least uncertainty of a step: what the tones' fades leave of a coupling that settles."""
_ABSENT_DB = 40.0
"""A tone that comes back weaker than this is not there: a coupling of 50 Hz takes half of it from the lowest, 5 Hz."""
_FEWEST_LOWS = 4
"""Low tones that must be there: a corner and a level are fitted to them, and their misfit tells a filter of another
kind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnDistortion:
    """Harmonics of the recorder at one level.

    Attributes
    ----------
    level_dbfs : float
        Of the tone as recorded.
    harmonics_dbc : tuple of float
        H2 to H10, as many as the rate holds; what does not stand out of the noise is three times that, or what the next
        louder tone shows where this is less.
    detected : tuple of bool
        Which of them stand out of the noise.
    """

    level_dbfs: float
    harmonics_dbc: tuple[float, ...]
    detected: tuple[bool, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Loopback:
    """What a recorder does by itself: output and input together.

    Attributes
    ----------
    gain_db : float
        From the played to the recorded level at 997 Hz.
    distortion : tuple of OwnDistortion
        Lowest level first; levels that clip the input are left out.
    clipped : int
        How many levels clipped.
    floor : Floor
    corners_hz : tuple of float
        High-pass corners, one or two.
    corner_sigma_hz : float
        Of their sum.
    response_hz, response_db, response_sigma_db : tuple of float
        Against 997 Hz, the high-pass taken off; the standard deviation of the difference, 0 at 997 Hz itself.
    inverted : bool or None
        Polarity of the loop; None where the pulse cannot be told.
    clocks_apart_ppm : float
        How much faster the player's clock runs than the recorder's; 0 within 0.1 where both share one.
    """

    gain_db: float
    distortion: tuple[OwnDistortion, ...]
    clipped: int
    floor: Floor
    corners_hz: tuple[float, ...]
    corner_sigma_hz: float
    response_hz: tuple[float, ...]
    response_db: tuple[float, ...]
    response_sigma_db: tuple[float, ...]
    inverted: bool | None
    clocks_apart_ppm: float

    @property
    def corner_hz(self) -> float:
        """The single corner that turns phases alike well above it: the sum."""
        return sum(self.corners_hz)


@dataclass(frozen=True, slots=True)
class _Take:
    """Samples, and where the stimulus lies in them."""

    x: Floats
    rate_hz: float
    first: float
    scale: float

    def part(self, slot: Slot, skip_s: float, last_s: float = 0.0) -> tuple[Floats, Floats]:
        """Samples of a slot without its first and last seconds, and their times in the stimulus' own seconds."""
        a = self.first + (slot.start_s + skip_s) * self.scale * self.rate_hz
        b = self.first + (slot.start_s + slot.seconds - last_s) * self.scale * self.rate_hz
        index = np.arange(int(np.ceil(a)), int(b))
        return self.x[index], np.asarray((index - self.first) / (self.rate_hz * self.scale) - slot.start_s)


def read_loopback(x: Floats, rate_hz: float, name: str) -> Loopback:
    """Measure a recorder from a take of the loopback stimulus.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Samples as recorded (not turned over).
    rate_hz : float
    name : str
        For messages.

    Returns
    -------
    Loopback

    Raises
    ------
    CaptureError
        The stimulus is not in the take, or an automatic gain moved within it.
    """
    slots = loopback_slots()
    take = _aligned(x, rate_hz, slots, name)
    levels = slots_of("level", slots)
    own = [_own_distortion(take, slot) for slot in levels]
    unclipped = [item for item in own if item is not None]
    if not unclipped:
        raise CaptureError(f"{name}: even the quietest tone clips the input", "lower the output or the gain")
    gain_db = _gain_db(own, name)
    quiet, _ = take.part(slots_of("silence", slots)[0], 0.3, 0.1)
    corners, sigma_hz, response = _response(take, slots_of("step", slots), gain_db, name)
    return Loopback(
        gain_db=gain_db,
        distortion=tuple(_settled(unclipped)),
        clipped=len(own) - len(unclipped),
        floor=floor_of(quiet, rate_hz, name),
        corners_hz=corners,
        corner_sigma_hz=sigma_hz,
        response_hz=tuple(response[0]),
        response_db=tuple(response[1]),
        response_sigma_db=tuple(response[2]),
        inverted=_inverted(take, slots_of("pulses", slots)[0], gain_db),
        clocks_apart_ppm=1e6 * (1.0 / take.scale - 1.0),
    )


def _aligned(x: Floats, rate_hz: float, slots: tuple[Slot, ...], name: str) -> _Take:
    """Find the first and the last marker."""
    from scipy.signal import oaconvolve

    wanted = marker(rate_hz)
    first, last = (slot.start_s for slot in slots_of("marker", slots))
    length = (last - first) * rate_hz
    if len(x) < (1.0 - _CLOCKS_APART) * length + MARKER_S * rate_hz:
        raise CaptureError(
            f"{name}: lasts {len(x) / rate_hz:.1f} s, the loopback stimulus {last + MARKER_S:.1f} s",
            "record it from before its first to after its last sound",
        )
    seen = np.abs(oaconvolve(x, wanted[::-1], mode="valid"))
    room = int(_CLOCKS_APART * length) + 2
    # the first lies where the last still follows it within the take
    early = seen[: max(1, len(seen) - int(length) + room)]
    a = int(np.argmax(early))
    begin = min(a + int(length) - room, len(seen) - 1)
    late = seen[begin : a + int(length) + room]
    b = begin + int(np.argmax(late))
    if early[a] < _STANDS_OUT * median(seen) or seen[b] < _LAST_LEAST * seen[a] or seen[a] < _LAST_LEAST * seen[b]:
        raise CaptureError(
            f"{name}: the loopback stimulus is not found in it, or not whole",
            "play the file that listen stimulus --loopback wrote, and record all of it in one take",
        )
    at, end = _peak(seen, a), _peak(seen, b)
    return _Take(x, rate_hz, at - first * rate_hz, (end - at) / length)


def _peak(values: Floats, at: int) -> float:
    """Place of a maximum between samples, by a parabola: the correlation is a cosine near its top."""
    if not 0 < at < len(values) - 1:
        return float(at)
    left, here, right = values[at - 1 : at + 2]
    bend = left - 2.0 * here + right
    return at + (0.5 * float((left - right) / bend) if bend else 0.0)


def _lines(x: Floats, time_s: Floats, f0_hz: Floats) -> Floats:
    """Peak amplitudes at some frequencies, Hann window; in blocks, so that few exponentials are taken."""
    blocks = len(x) // _BLOCK
    n = blocks * _BLOCK
    window = np.hanning(n + 1)[:-1]
    y = (x[:n] - x[:n].mean()) * window * (2.0 / window.sum())
    turn = -2j * np.pi * f0_hz
    within = np.exp(turn * (time_s[:_BLOCK, None] - time_s[0]))
    return np.asarray(
        np.abs(np.sum((y.reshape(blocks, _BLOCK) @ within) * np.exp(turn * time_s[:n:_BLOCK, None]), axis=0))
    )


def _own_distortion(take: _Take, slot: Slot) -> OwnDistortion | None:
    """Harmonics at one level; None where the tone clips the input."""
    x, time_s = take.part(slot, FADE_S + 0.08, FADE_S)
    if np.abs(x).max() >= _CLIPS_FS:
        return None
    orders = [k for k in ORDERS if (k + _NEIGHBOURS[-1]) * slot.f0_hz <= BAND * take.rate_hz]
    neighbours = [side * off for off in _NEIGHBOURS for side in (-1.0, 1.0)]
    places = np.array([1.0, *(k + off for k in orders for off in [0.0, *neighbours])])
    sizes = _lines(x, time_s, places * slot.f0_hz)
    table = sizes[1:].reshape(len(orders), 1 + len(neighbours))
    noise = _THERE * np.sqrt(np.mean(table[:, 1:] ** 2, axis=1))
    detected = table[:, 0] > noise
    dbc = 20.0 * np.log10(np.maximum(np.where(detected, table[:, 0], noise), 1e-9) / sizes[0])
    return OwnDistortion(
        level_dbfs=20.0 * float(np.log10(sizes[0])),
        harmonics_dbc=tuple(dbc.tolist()),
        detected=tuple(detected.tolist()),
    )


def _settled(own: list[OwnDistortion]) -> list[OwnDistortion]:
    """What a quiet tone leaves in the noise is at most what the next louder one shows: a weak curve's part falls."""
    out = own[-1:]
    for item in own[-2::-1]:
        louder = out[0].harmonics_dbc
        dbc = tuple(d if t else min(d, h) for d, t, h in zip(item.harmonics_dbc, item.detected, louder, strict=True))
        out.insert(0, OwnDistortion(level_dbfs=item.level_dbfs, harmonics_dbc=dbc, detected=item.detected))
    return out


def _gain_db(own: list[OwnDistortion | None], name: str) -> float:
    """Gain of the loop; the levels must come back as they were played."""
    gains = np.array(
        [item.level_dbfs - level for item, level in zip(own, LEVELS_DBFS, strict=True) if item is not None]
    )
    span = float(gains.max() - gains.min())
    if span > _FOLLOWS_DB:
        raise CaptureError(
            f"{name}: tones of seven levels come back with gains that differ by {span:.1f} dB",
            "switch off automatic gain, limiter and every enhancement, and record it again",
        )
    return median(gains)


def _response(
    take: _Take, steps: tuple[Slot, ...], gain_db: float, name: str
) -> tuple[tuple[float, ...], float, tuple[Floats, Floats, Floats]]:
    """High-pass corners with the uncertainty of their sum, and the rest of the response (pitch, dB, sigma)."""
    rows = []
    for slot in steps:
        if slot.f0_hz <= BAND * take.rate_hz:
            size, sigma = _step(take, slot)
            if size > 10.0 ** ((STEP_DBFS + gain_db - _ABSENT_DB) / 20.0):
                db = 20.0 * np.log10(size) - STEP_DBFS
                rows.append((slot.f0_hz, db, np.hypot(20.0 / np.log(10.0) * sigma / size, _REPEATS_DB)))
    filtered = CaptureError(
        f"{name}: its low tones do not come back as through a coupling",
        "switch off low cut, speech mode and every enhancement, and record it again",
    )
    if sum(row[0] < _LOWS_HZ for row in rows) < _FEWEST_LOWS:
        raise filtered
    f0_hz, level_db, sigma_db = np.array(rows).T
    level_db = level_db - level_db[np.argmin(np.abs(f0_hz - TEST_HZ))]
    low = f0_hz < _LOWS_HZ
    corners, sigma_hz = _corners(f0_hz[low], level_db[low], sigma_db[low])
    flat = level_db - _loss_db(corners, f0_hz)
    if np.ptp(flat[low]) > _FOLLOWS_DB + 6.0 * float(np.max(sigma_db[low])):
        raise filtered
    at = np.argmin(np.abs(f0_hz - TEST_HZ))
    # the tone that all are held against is as uncertain as they are
    return (
        corners,
        sigma_hz,
        (f0_hz, flat - flat[at], np.where(f0_hz == f0_hz[at], 0.0, np.hypot(sigma_db, sigma_db[at]))),
    )


def _step(take: _Take, slot: Slot) -> tuple[float, float]:
    """Amplitude of a step and its standard deviation, by least squares with a slow drift beside it."""
    x, time_s = take.part(slot, max(0.25 * slot.seconds, FADE_S + 0.08), FADE_S)
    turn = 2.0 * np.pi * slot.f0_hz * time_s
    middle = (time_s - time_s.mean()) / slot.seconds
    columns = np.stack([np.cos(turn), np.sin(turn), np.ones_like(turn), middle, middle**2], axis=1)
    found, *_ = np.linalg.lstsq(columns, x, rcond=None)
    left = x - columns @ found
    return float(np.hypot(found[0], found[1])), float(np.sqrt(np.mean(left**2) * 2.0 / len(x)))


def _loss_db(corners: tuple[float, ...], f0_hz: Floats) -> Floats:
    return np.asarray(-sum(10.0 * np.log10(1.0 + (corner / f0_hz) ** 2) for corner in corners))


def _corners(f0_hz: Floats, level_db: Floats, sigma_db: Floats) -> tuple[tuple[float, ...], float]:
    """Fit one coupling, and two in series where they are clearly better."""
    from scipy.optimize import least_squares

    def missed(guess: Floats) -> Floats:
        rest = level_db - guess[-1] - _loss_db(tuple(np.abs(guess[:-1]).tolist()), f0_hz)
        return np.asarray(rest / sigma_db)

    one = min((least_squares(missed, [c, 0.0]) for c in (0.5, 5.0, 25.0)), key=lambda fit: fit.cost)
    size = abs(float(one.x[0]))
    two = least_squares(missed, [0.8 * size, 0.3 * size + 0.1, 0.0])
    # what no coupling explains widens the uncertainty, and asks for more before a second one is believed
    spread = max(1.0, 2.0 * one.cost / max(len(f0_hz) - 2, 1))
    best = two if 2.0 * (one.cost - two.cost) > _TWO_BETTER and two.cost < 0.5 * one.cost else one
    spread = max(1.0, 2.0 * best.cost / max(len(f0_hz) - len(best.x), 1))
    covariance = np.linalg.pinv(best.jac.T @ best.jac) * spread
    n = len(best.x) - 1
    return tuple(sorted(abs(float(c)) for c in best.x[:-1])), float(np.sqrt(max(covariance[:n, :n].sum(), 0.0)))


def _inverted(take: _Take, slot: Slot, gain_db: float) -> bool | None:
    """Whether the bumps come back on the negative side."""
    x, time_s = take.part(slot, 0.0)
    after = (time_s % PULSE_EVERY_S) - 0.5 * PULSE_EVERY_S
    heights = []
    for i in range(PULSES):
        own = (time_s // PULSE_EVERY_S).astype(np.int64) == i
        top = x[own & (np.abs(after - 0.5 * PULSE_S) < 0.2 * PULSE_S)]
        base = x[own & (after > -0.02) & (after < -2.0 * PULSE_S)]
        if len(top) and len(base):
            heights.append(float(top.mean() - base.mean()))
    height = median(np.array(heights))
    return None if abs(height) < 0.2 * 10.0 ** (gain_db / 20.0) * 0.5 else height < 0
