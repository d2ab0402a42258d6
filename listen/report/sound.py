"""Excerpts to listen to: a second of a take, its residual without the fundamental, and the pure tone.

The fundamental is taken out along the recovered phase: the samples are turned down by it, the slow rest is averaged
over whole cycles (a raised cosine in phase, whose zeros lie on every harmonic and on half the pitch), turned up again
and subtracted. What is left holds the harmonics, noise and bursts as they were, in a sweep too.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from listen.track.types import Envelope
from listen.units import db_from_ratio, ratio_from_db

Floats = NDArray[np.float64]
SoundKind = Literal["second", "residue", "pure"]

LOUDEST_DBFS = -18.0
"""Peaks of an excerpt stay under this: steady tones are hard on ears and tweeters (common practice, no source)."""
FADE_S = 0.03
MOST_RAISED_DB = 70.0
"""What is left of the purest tone is not raised further; above that it is the converter's noise alone."""
WINDOW_S = 0.02
WINDOW_CYCLES = 4
MARGIN_S = 0.25
PASSES = 3
REACH_S = 0.06
EDGE_S = 0.12
_LONGEST_GAP_S = 0.1
_FEWEST_CYCLES = 8.0


class SampleSource(Protocol):
    """What is read of a capture."""

    @property
    def true_rate_hz(self) -> float: ...  # noqa: D102
    @property
    def sample_rate_hz(self) -> float: ...  # noqa: D102
    @property
    def start_sample(self) -> int: ...  # noqa: D102
    @property
    def stop_sample(self) -> int: ...  # noqa: D102
    def read(self, start: int, stop: int) -> Floats:
        """Return samples by number."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parted:
    """A piece of a take in two parts that add up to it.

    Attributes
    ----------
    residue, fundamental : ndarray, shape (n,)
        Full scale is 1. Where nothing oscillates the fundamental is 0.
    turns : ndarray, shape (n,)
        Phase of the fundamental in cycles, NaN where nothing oscillates.
    """

    residue: Floats
    fundamental: Floats
    turns: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Excerpt:
    """One sound, ready to be played.

    Attributes
    ----------
    kind : {'second', 'residue', 'pure'}
        As recorded; without the fundamental; the pure tone of the same pitch and level.
    samples : ndarray, shape (n,)
        Faded at both ends, peaks at or under -18 dBFS.
    sample_rate_hz : float
    start_s, end_s : float
        Where it is in the take.
    gain_db : float
        Whole decibels by which it was raised (negative: lowered).
    """

    kind: SoundKind
    samples: Floats
    sample_rate_hz: float
    start_s: float
    end_s: float
    gain_db: float

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.sample_rate_hz

    @property
    def peak_dbfs(self) -> float:
        """Level of the largest sample."""
        return float(db_from_ratio(float(np.max(np.abs(self.samples), initial=0.0))))


def part_fundamental(x: Floats, first_sample: int, rate_hz: float, envelope: Envelope) -> Parted:
    """Split samples into the fundamental and the residual.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Samples; x[0] is sample ``first_sample`` of the file.
    first_sample : int
    rate_hz : float
        The true rate, as the envelope's times were made with.
    envelope : Envelope
        Pitch between the frames.

    Returns
    -------
    Parted
    """
    residue, fundamental = x.copy(), np.zeros_like(x)
    turns_of_all = np.full(len(x), np.nan)
    for time_s, f0_hz in _runs(envelope, first_sample / rate_hz, (first_sample + len(x)) / rate_hz):
        a = max(0, math.ceil(time_s[0] * rate_hz) - first_sample)
        b = min(len(x), math.floor(time_s[-1] * rate_hz) - first_sample + 1)
        at_s = (first_sample + np.arange(a, b)) / rate_hz
        turns, slope_hz = _phase(time_s, f0_hz, at_s)
        if b - a < 2 or turns[-1] - turns[0] < _FEWEST_CYCLES:
            continue
        tone = _tone_along(x[a:b], turns, slope_hz / rate_hz, _width(float(np.median(f0_hz))))
        tone += _at_the_ends(x[a:b] - tone, turns, slope_hz / rate_hz, round(EDGE_S * rate_hz))
        fundamental[a:b] = tone
        residue[a:b] -= tone
        turns_of_all[a:b] = turns
    return Parted(residue=residue, fundamental=fundamental, turns=turns_of_all)


def excerpts(capture: SampleSource, envelope: Envelope, start_s: float, end_s: float) -> tuple[Excerpt, ...]:
    """Return the sounds of one place of a take.

    Parameters
    ----------
    capture : Capture
    envelope : Envelope
    start_s, end_s : float
        Seconds from the file's first sample.

    Returns
    -------
    tuple of Excerpt
        As recorded, and where something oscillates the residue and the pure tone; the first and the last share one
        gain, so that they can be compared. Where nothing oscillates it may be lowered, but is never raised: silence
        would become a roar.
    """
    rate = capture.true_rate_hz
    a = min(max(round(start_s * rate), capture.start_sample), capture.stop_sample)
    b = min(max(round(end_s * rate), a), capture.stop_sample)
    margin = round(MARGIN_S * rate)
    low, high = max(capture.start_sample, a - margin), min(capture.stop_sample, b + margin)
    x = capture.read(low, high)
    inside = slice(a - low, b - low)
    place = {"sample_rate_hz": capture.sample_rate_hz, "start_s": a / rate, "end_s": b / rate}
    second = x[inside] - np.mean(x[inside]) if b > a else x[inside]
    parted = part_fundamental(x, low, rate, envelope)
    tone = np.isfinite(parted.turns[inside])
    gain_db = safe_gain_db(second)
    if not tone.any():
        gain_db = min(gain_db, 0.0)
    sounds = [Excerpt(kind="second", samples=_faded(second, gain_db, rate), gain_db=gain_db, **place)]
    if not tone.any():
        return tuple(sounds)
    residue = parted.residue[inside] - np.mean(parted.residue[inside])
    raised_db = safe_gain_db(residue)
    sounds.append(Excerpt(kind="residue", samples=_faded(residue, raised_db, rate), gain_db=raised_db, **place))
    pure = _pure(parted.fundamental[inside], parted.turns[inside], tone)
    gain_db = min(gain_db, safe_gain_db(pure))
    sounds.append(Excerpt(kind="pure", samples=_faded(pure, gain_db, rate), gain_db=gain_db, **place))
    return tuple(sounds)


def at_gain(excerpt: Excerpt, gain_db: float) -> Excerpt:
    """Return a sound at a lower gain than its own, so that two can be compared by ear."""
    change_db = min(0.0, gain_db - excerpt.gain_db)
    samples = excerpt.samples * float(ratio_from_db(change_db))
    return replace(excerpt, samples=samples, gain_db=excerpt.gain_db + change_db)


def safe_gain_db(x: Floats) -> float:
    """Return the whole decibels that bring the largest sample just under the loudest that is played."""
    peak = float(np.max(np.abs(x), initial=0.0))
    if peak <= 0.0:
        return 0.0
    return float(min(MOST_RAISED_DB, math.floor(LOUDEST_DBFS - float(db_from_ratio(peak)))))


def worst_start_s(score: Floats, time_s: Floats, start_s: float, end_s: float, seconds: float) -> float:
    """Return where the worst segment of some seconds begins.

    Parameters
    ----------
    score : ndarray, shape (n,)
        How bad each frame is; NaN counts as nothing.
    time_s : ndarray, shape (n,)
    start_s, end_s : float
        The interval to stay in, where it is long enough.
    seconds : float

    Returns
    -------
    float
        Seconds from the file's first sample.
    """
    last = max(start_s, end_s - seconds)
    inside = np.flatnonzero((time_s >= start_s) & (time_s <= last))
    if len(inside) == 0:
        return max(0.0, 0.5 * (start_s + end_s - seconds))
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(score, nan=0.0, posinf=0.0, neginf=0.0))])
    ends = np.searchsorted(time_s, time_s[inside] + seconds)
    means = (total[ends] - total[inside]) / np.maximum(ends - inside, 1)
    return float(time_s[inside[int(np.argmax(means))]])


def wav_bytes(excerpt: Excerpt, *, bits: Literal[16, 24] = 16) -> bytes:
    """Return an excerpt as a WAV file, one channel, dithered (triangular, two codes wide, always the same).

    Parameters
    ----------
    excerpt : Excerpt
    bits : {16, 24}

    Returns
    -------
    bytes
    """
    import io
    import wave

    scale = 2.0 ** (bits - 1)
    noise = np.random.default_rng(1).random((2, len(excerpt.samples)))
    codes = np.round(excerpt.samples * scale + noise[0] - noise[1]).clip(-scale, scale - 1).astype("<i4")
    raw = codes.view(np.uint8).reshape(-1, 4)[:, : bits // 8]
    stream = io.BytesIO()
    with wave.open(stream, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(bits // 8)
        file.setframerate(round(excerpt.sample_rate_hz))
        file.writeframes(np.ascontiguousarray(raw).tobytes())
    return stream.getvalue()


def _runs(envelope: Envelope, low_s: float, high_s: float) -> Iterator[tuple[Floats, Floats]]:
    """Continuous pieces of tone: times and pitches, slightly longer than the excerpt."""
    near = (envelope.time_s > low_s - MARGIN_S) & (envelope.time_s < high_s + MARGIN_S)
    at = np.flatnonzero(near & envelope.oscillating & np.isfinite(envelope.f0_hz) & (envelope.f0_hz > 0.0))
    if len(at) == 0:
        return
    time_s, f0_hz = envelope.time_s[at], envelope.f0_hz[at]
    gap = np.maximum(_LONGEST_GAP_S, 3.0 / f0_hz[1:])
    cuts = np.flatnonzero((np.diff(time_s) > gap) | (np.diff(at) > 1)) + 1
    for times, pitches in zip(np.split(time_s, cuts), np.split(f0_hz, cuts), strict=True):
        if len(times) > 2:
            # The envelope begins inside the tone, once it stands out; how far a neighbour is limits the reach.
            before, after = (min(REACH_S, 0.5 * space) for space in _space(time_s, times))
            yield (
                np.concatenate([[times[0] - before], times, [times[-1] + after]]),
                np.concatenate([[pitches[0]], pitches, [pitches[-1]]]),
            )


def _space(all_s: Floats, times: Floats) -> tuple[float, float]:
    """Seconds to the neighbouring pieces of tone."""
    earlier, later = all_s[all_s < times[0]], all_s[all_s > times[-1]]
    before = times[0] - earlier[-1] if len(earlier) else math.inf
    after = later[0] - times[-1] if len(later) else math.inf
    return float(before), float(after)


def _phase(time_s: Floats, f0_hz: Floats, at_s: Floats) -> tuple[Floats, Floats]:
    """Cycles and pitch at some times: the pitch runs straight between its knots, the phase is its integral."""
    steps = np.diff(time_s)
    knots = np.concatenate([[0.0], np.cumsum(0.5 * steps * (f0_hz[1:] + f0_hz[:-1]))])
    i = np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, len(steps) - 1)
    ahead = at_s - time_s[i]
    slope = (f0_hz[i + 1] - f0_hz[i]) / steps[i]
    return knots[i] + ahead * (f0_hz[i] + 0.5 * slope * ahead), f0_hz[i] + slope * ahead


def _width(f0_hz: float) -> float:
    """Whole cycles to average over."""
    return float(max(WINDOW_CYCLES, math.ceil(WINDOW_S * f0_hz)))


def _at_the_ends(x: Floats, turns: Floats, cycles_a_sample: Floats, edge: int) -> Floats:
    """What is left of the fundamental where a tone begins or ends: it grows too fast there for a long average."""
    out = np.zeros_like(x)
    n = min(edge, len(x) // 2)
    ramp = 0.5 + 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / max(n, 1))
    for part, weight in ((slice(0, n), ramp), (slice(len(x) - n, len(x)), ramp[::-1])):
        if n > 1 and turns[part][-1] - turns[part][0] >= _FEWEST_CYCLES:
            out[part] += weight * _tone_along(x[part], turns[part], cycles_a_sample[part], float(WINDOW_CYCLES))
    return out


def _tone_along(x: Floats, turns: Floats, cycles_a_sample: Floats, width: float) -> Floats:
    """Fundamental of x along a phase; its amplitude and residual phase may vary slowly."""
    width = min(width, float(WINDOW_CYCLES) * math.floor((turns[-1] - turns[0]) / WINDOW_CYCLES))
    half = 0.5 * width
    centres = np.arange(turns[0] + half, turns[-1] - half + 1e-9, 0.125 * width)
    first = np.searchsorted(turns, centres - half)
    last = np.searchsorted(turns, centres + half)
    up = np.exp(2j * np.pi * turns)
    ripple = np.exp(2j * np.pi * turns / width)
    shift = np.exp(-2j * np.pi * centres / width)

    def smooth(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Mean of z under a raised cosine round each centre."""
        means = np.zeros(len(centres), dtype=np.complex128)
        for weight, turn in ((0.5, None), (0.25, shift), (0.25, shift.conj())):
            kernel = 1.0 if turn is None else (ripple if turn is shift else ripple.conj())
            total = np.concatenate([[0.0], np.cumsum(z * kernel)])
            part = total[last] - total[first]
            means += weight * (part if turn is None else part * turn)
        return means

    norm = smooth(cycles_a_sample.astype(np.complex128)).real
    tone = np.zeros_like(x)
    for _ in range(PASSES):
        line = 2.0 * smooth((x - tone) * cycles_a_sample * up.conj()) / norm
        amplitude = np.interp(turns, centres, line.real) + 1j * np.interp(turns, centres, line.imag)
        tone = tone + (amplitude * up).real
    return tone


def _pure(fundamental: Floats, turns: Floats, tone: NDArray[np.bool_]) -> Floats:
    """Sine of the mean level along the same phase; silent where nothing oscillates."""
    amplitude = math.sqrt(2.0 * float(np.mean(fundamental[tone] ** 2)))
    out = np.zeros_like(fundamental)
    out[tone] = amplitude * np.cos(2.0 * np.pi * turns[tone])
    return out


def _faded(x: Floats, gain_db: float, rate_hz: float) -> Floats:
    """Raise and fade; the same fade on both ends."""
    n = min(round(FADE_S * rate_hz), len(x) // 2)
    y = x * float(ratio_from_db(gain_db))
    if n:
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n)
        y[:n] *= ramp
        y[len(y) - n :] *= ramp[::-1]
    return y
