"""Amplitude modulation in steady segments: the gain control hunts.

Modulation has two sidebands about the tone, locked to each other; a line beside the tone has one. A damped ring after a
retune dies away; hunting goes on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.residual import RoomEvent
from listen.account.steady import SteadySegment
from listen.account.tone import MEAN_CYCLES, BoardTone
from listen.account.windows import hann_response
from listen.fitting import legendre_columns, orthonormal, without
from listen.sorting import median, quantile
from listen.track import short_frame_s

Floats = NDArray[np.floating[Any]]

_LOWEST_HZ, _HIGHEST_HZ = 0.4, 45.0
"""Slower swings need rests of six seconds for two turns and a half; of faster ones the tracker's short frames leave
less than 64 % at 110 Hz, 41 % at 80 Hz (Hann)."""
_TURNS_TO_LOOK = 2.5
"""Fewer turns in a rest are a bend, not a swing."""
_PERIODIC = 0.5
"""Part of the level's variance that one rate and its multiples must hold: more than all else together."""
_SUSTAINED = 0.6
"""Swing of the last third over that of the first; a ring dies away: one that keeps more decays in over 1.3 rests."""
_FROM_THE_START_S, _FROM_THE_START_SUSTAINED = 0.1, 0.2
"""In a take that begins within the tone nothing says what a ring at its begin follows: it counts while it lasts, to a
fifth in its last third."""
_LEAD_S = 0.25
"""Left out after a rest begins: settling. Half of the time that a bounce may take."""
_ONE_SIDED = 0.1
"""Smaller over larger sideband (-20 dB) under which it is a line beside the tone: a hunting level that the pitch
follows has one sideband weaker by up to 17 dB."""
_RETUNED_SUSTAINED, _RETUNED_S = 0.8, 0.8
"""After a quick retune a ring looks alike for a while: there the swing must keep its size, as a ring does that decays
in three rests, and be watched for twice the shortest rest."""
_LEAST_DEPTH = 0.003
"""A third of the limit of 1 %: what lies below is judged by nobody."""
MOST_SMEAR = 0.3
"""What is averaged out is made up for by no more than 1 / 0.3, for noise is raised with it: faster swings read too
small."""
_AVERAGED_OUT = 0.3
"""... and where a mean over so many cycles leaves less (from a rate of f0 / 5.3 on, sinc), the pitch's own swing is not
known."""
_PITCH_ALONE, _ONE_RATE = 2.0, float(np.log(1.15))
"""Phase over level from which a swing of few turns in one rest alone is not told from a sound: a line beside the tone
has 1, a radio and words had 2.6 and 4.5 in pieces of half a second. A loop that hunts and pulls the pitch has any, and
comes again at the same rate."""
_LIKE_A_LINE, _SOUND_NEAR_S, _SOUND_LESS = 0.5, 1.5, 0.25
"""... and beside sounds of the room as loud, within 6 dB (notes of a chord differ by as much) and a note's length: from
half of a line's 1 on, for in 2.5 turns it is known so well. Notes 3 to 6 Hz beside the tone had 1.0 to 1.2."""
_MULTIPLES = 3
"""Of the swing's rate, fitted beside its trend: of a hunting of a tenth the third is under a twentieth of the first."""
_RATE_TURNS = 0.5
"""A swing's rate is known to half a turn over its segment: a quarter of what a Hann line is wide on each side. In a
rest of under three turns it was a quarter of a turn off."""
_FEW_TURNS, _BENDS, _BENDS_LESS, _STEP_EVERY, _STEPS_LEAVE = 5.0, 6, 0.1, 8, 0.4
"""Under five turns a polynomial of the sixth degree (five bends, two turns and a half) must explain clearly less than
the swing does, by a tenth of the variance. One step or two, looked for every 40 ms, leave 0.6 or more of a sine's power
at 2.5 turns, and 0.2 of a level that falls and comes back once."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Swing:
    """Amplitude modulation in one steady segment.

    Attributes
    ----------
    segment : SteadySegment
    rate_hz : float
    depth : float
        (max - min) / (max + min).
    follows_pitch : float
        Index of the phase modulation over the depth: 1 where one line beats with the tone.
    one_sided : bool
        One sideband is under a quarter of the other.
    share : float
        Part of the level's variance that it explains.
    above : bool
        The larger sideband lies over the tone.
    in_silence : bool or None
        It is a line that sounds where the tone does not; None: there is no silence to tell by, or two sidebands.
    sustained : float
        Its size in the last third of the rest over that in the first.
    """

    segment: SteadySegment
    rate_hz: float
    depth: float
    follows_pitch: float
    one_sided: bool
    share: float
    above: bool = True
    in_silence: bool | None = None
    sustained: float = 1.0

    @property
    def line_hz(self) -> float:
        """Frequency of the larger sideband: of the line, where there is one alone."""
        return abs(self.segment.f0_hz + (self.rate_hz if self.above else -self.rate_hz))

    @property
    def unsure_hz(self) -> float:
        """To within this the rate is known."""
        return _RATE_TURNS / self.segment.seconds


def find_swings(tone: BoardTone, segments: list[SteadySegment], excluded_hz: tuple[float, ...] = ()) -> list[Swing]:
    """Amplitude modulation of the segments that have it.

    Parameters
    ----------
    tone : BoardTone
    segments : list of SteadySegment
    excluded_hz : tuple of float
        Rates that are something else's.
    """
    swings = []
    for segment in segments:
        swing = _swing_of(tone, segment)
        if swing is not None and not any(abs(swing.rate_hz - f) < 0.03 * f for f in excluded_hz):
            swings.append(swing)
    return swings


def without_sounds(swings: list[Swing], sounds: Sequence[RoomEvent]) -> list[Swing]:
    """The same without swings that a sound beside the tone makes as well.

    These have few turns, in one rest alone, and move the phase: more than the level, or about as much where other
    sounds of the room are as loud.

    Parameters
    ----------
    swings : list of Swing
    sounds : sequence of RoomEvent
        Of the whole take.
    """
    return [
        swing
        for swing in swings
        if swing.rate_hz * swing.segment.seconds > _FEW_TURNS
        or swing.follows_pitch < (_LIKE_A_LINE if _has_sound_near(swing, sounds) else _PITCH_ALONE)
        or any(_confirms(other, swing) for other in swings)
    ]


def without_rings(swings: list[Swing], rings: bool) -> list[Swing]:
    """The same without swings that die away, where the loop is known to ring and none goes on.

    Parameters
    ----------
    swings : list of Swing
    rings : bool
        The level rings after quick retunes: so it may where a turn ends.
    """
    if not rings or any(swing.sustained >= _RETUNED_SUSTAINED for swing in swings):
        return swings
    return [swing for swing in swings if swing.one_sided]


def _confirms(other: Swing, swing: Swing) -> bool:
    """Whether another swing has the same rate; at another pitch, for a note that is heard twice has it at that one."""
    same_rate = other is not swing and abs(np.log(other.rate_hz / swing.rate_hz)) < _ONE_RATE
    apart_hz = abs(other.segment.f0_hz - swing.segment.f0_hz)
    return bool(same_rate and (swing.follows_pitch >= _PITCH_ALONE or apart_hz > _ONE_RATE * swing.rate_hz))


def _has_sound_near(swing: Swing, sounds: Sequence[RoomEvent]) -> bool:
    """Whether a sound of the room, near in time, has power like that of the swing's sidebands."""
    power = 0.5 * swing.depth**2 * (1.0 + swing.follows_pitch**2)
    first_s, last_s = swing.segment.start_s - _SOUND_NEAR_S, swing.segment.end_s + _SOUND_NEAR_S
    return any(
        sound.end_s > first_s and sound.start_s < last_s and 10 ** (sound.level_dbc / 10) > _SOUND_LESS * power
        for sound in sounds
    )


def _window(tone: BoardTone, segment: SteadySegment) -> tuple[int, int]:
    lead = round(_LEAD_S / tone.grid_s)
    return segment.first + (lead if segment.retune_s is not None or segment.seconds > 4 * _LEAD_S else 0), segment.stop


def _swing_of(tone: BoardTone, segment: SteadySegment) -> Swing | None:
    a, b = _window(tone, segment)
    n = b - a
    if n * tone.grid_s < 0.3 or n < 40:
        return None
    log = tone.log_level[a:b]
    bends = orthonormal(legendre_columns(np.linspace(-1, 1, n), 2))
    flat = without(bends, log)
    if float(np.std(flat)) < 0.2 * _LEAST_DEPTH:
        return None
    flat = without_pitch(flat, without(bends, 1200 * np.log2(tone.f0_hz[a:b])))
    rate = best_rate(flat, tone.grid_s)
    if rate is None:
        return None
    rate_hz, share = rate
    retuned = segment.retune_s is not None
    if share < _PERIODIC or (retuned and n * tone.grid_s < _RETUNED_S):
        return None
    if rate_hz * n * tone.grid_s < _FEW_TURNS and _bends(log, share):
        return None
    from_start = segment.start_s - float(tone.time_s[0]) < _FROM_THE_START_S
    least = _RETUNED_SUSTAINED if retuned else _FROM_THE_START_SUSTAINED if from_start else _SUSTAINED
    sustained = _sustained(flat, rate_hz, tone.grid_s)
    if sustained < least:
        return None
    flat = _without_trend_alone(flat, bends, rate_hz * tone.grid_s)
    top, bottom = quantile(np.exp(flat), 0.99), quantile(np.exp(flat), 0.01)
    depth = (top - bottom) / (top + bottom) / max(smeared(rate_hz, segment.f0_hz, tone.grid_s), MOST_SMEAR)
    if depth < _LEAST_DEPTH:
        return None
    cents = without(bends, 1200 * np.log2(tone.f0_hz[a:b]))
    follows, one_sided, above = _sidebands(flat, cents, rate_hz, segment.f0_hz, tone.grid_s)
    return Swing(
        segment=segment,
        rate_hz=rate_hz,
        depth=min(1.0, depth),
        follows_pitch=follows,
        one_sided=one_sided,
        share=share,
        above=above,
        sustained=sustained,
    )


def _without_trend_alone(flat: Floats, bends: Floats, turns_a_place: float) -> Floats:
    """Give back what a trend took of the swing: of few turns a parabola takes up to a tenth."""
    turns = 2 * np.pi * turns_a_place * np.outer(np.arange(len(flat)), np.arange(1, _MULTIPLES + 1))
    columns = np.concatenate([bends, np.cos(turns), np.sin(turns)], axis=1)
    size = np.linalg.lstsq(columns, flat, rcond=None)[0]
    return np.asarray(flat - bends @ size[: bends.shape[1]])


def _bends(log: Floats, share: float) -> bool:
    """Whether a low-order polynomial or two steps explain the level as well as a few periods of a swing.

    A trimmer was turned; a fault came and went.
    """
    n = len(log)
    flat = without(orthonormal(legendre_columns(np.linspace(-1, 1, n), 2)), log)
    power = float(flat @ flat)
    bent = without(orthonormal(legendre_columns(np.linspace(-1, 1, n), _BENDS)), log)
    smooth = 1.0 - float(bent @ bent) / max(power, 1e-30)
    return smooth > share - _BENDS_LESS or two_steps_leave(log) < _STEPS_LEAVE * power


def two_steps_leave(log: Floats) -> float:
    """Sum of squares that the best piecewise constant of three pieces (or two) leaves."""
    n = len(log)
    centred = log - log.mean()
    at = np.arange(0, n + 1, _STEP_EVERY)
    sums = np.concatenate([[0.0], np.cumsum(centred)])[at]
    first, second = at[:, None], at[None, :]
    with np.errstate(invalid="ignore", divide="ignore"):
        held = np.nan_to_num(sums[:, None] ** 2 / first)
        held = held + (sums[None, :] - sums[:, None]) ** 2 / (second - first)
        held = held + np.where(second < n, sums[None, :] ** 2 / (n - second), 0.0)
    held = np.where(second > first, held, 0.0)
    return float(centred @ centred) - float(held.max())


def without_pitch(flat: Floats, cents: Floats) -> Floats:
    """Level with its linear dependence on the pitch removed, where that explains nearly all of it.

    Behind a stage whose gain falls with the pitch a wavering pitch moves the level; a hunting level moves the pitch by
    some cents too, but a quarter of a turn late.
    """
    power = float(cents @ cents)
    if power < 1e-9 or float(np.std(cents)) < 1.0:
        return flat
    gain = float(cents @ flat) / power
    rest = flat - gain * cents
    explained = 1.0 - float(rest @ rest) / max(float(flat @ flat), 1e-30)
    # a slope of more than 2 octaves' worth an octave is no stage's: 6 dB an octave is ln 2 / 1200 a cent
    return np.asarray(rest) if explained > 0.9 and abs(gain) < 2 * np.log(2.0) / 1200 else flat


def best_rate(flat: Floats, grid_s: float) -> tuple[float, float] | None:
    """Rate of the strongest line, and the share of the variance that it and its multiples hold.

    Parameters
    ----------
    flat : ndarray, shape (n,)
        Level without its trend.
    grid_s : float

    Returns
    -------
    rate_hz, share : float
        None in their place where two turns and a half at the highest rate are more than the segment.
    """
    n = len(flat)
    size = 4 * 2 ** int(np.ceil(np.log2(n)))
    power = np.abs(np.fft.rfft(flat * np.hanning(n), size)) ** 2
    rate = np.fft.rfftfreq(size, grid_s)
    length = n * grid_s
    allowed = (rate >= max(_LOWEST_HZ, _TURNS_TO_LOOK / length)) & (rate <= _HIGHEST_HZ)
    if not allowed.any():
        return None
    best = int(np.argmax(np.where(allowed, power, 0.0)))
    near = np.zeros(len(power), dtype=bool)
    for k in (1, 2, 3):
        near |= np.abs(rate - k * rate[best]) < 2.2 / length
    seen = rate > 1.2 / length
    share = float(power[near & seen].sum() / max(float(power[seen].sum()), 1e-30))
    return (best + _off_bin(power, best)) * float(rate[1]), share


def _off_bin(power: Floats, best: int) -> float:
    """Quadratic interpolation of a peak through the logarithms of three bins."""
    if not 0 < best < len(power) - 1:
        return 0.0
    a, b, c = np.log(np.maximum(power[best - 1 : best + 2], 1e-300)).tolist()
    bend = a - 2 * b + c
    return float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5)) if bend else 0.0


def _sustained(flat: Floats, rate_hz: float, grid_s: float) -> float:
    turns = np.exp(-2j * np.pi * rate_hz * grid_s * np.arange(len(flat)))
    third = max(len(flat) // 3, 4)
    early, late = (abs(np.mean(part)) for part in (flat[:third] * turns[:third], flat[-third:] * turns[-third:]))
    return float(late / max(early, 1e-12))


def smeared(rate_hz: float, f0_hz: float, grid_s: float) -> float:
    """Attenuation of a swing by the tracker's short frames and their mean over the tone's grid."""
    averaged = float(np.sinc(rate_hz * max(grid_s, MEAN_CYCLES / f0_hz)))
    return averaged * float(hann_response(rate_hz * short_frame_s(f0_hz)))


def _sidebands(flat: Floats, cents: Floats, rate_hz: float, f0_hz: float, grid_s: float) -> tuple[float, bool, bool]:
    """Phase modulation over level modulation, whether the two make one sideband only, if the larger is above."""
    n = len(flat)
    window = np.hanning(n)
    turns = np.exp(-2j * np.pi * rate_hz * grid_s * np.arange(n)) * window * (2.0 / window.sum())
    level = complex(np.sum(flat * turns))
    averaged = abs(float(np.sinc(rate_hz * max(0.01, 4.0 / f0_hz))))
    if averaged < _AVERAGED_OUT:
        # over so many cycles a swing at this rate averages out: nothing tells it from a beat
        return 1.0, False, True
    # the pitch is the phase's slope: phase = pitch / (j 2 pi rate)
    swing_hz = complex(np.sum(cents * turns)) * np.log(2) / 1200 * f0_hz
    phase = swing_hz / (1j * rate_hz)
    upper, lower = abs(level + 1j * phase), abs(np.conj(level) + 1j * np.conj(phase))
    smaller, larger = min(upper, lower), max(upper, lower)
    return abs(phase) / max(abs(level), 1e-12), bool(smaller < _ONE_SIDED * larger), bool(upper >= lower)


def typical_rate(swings: list[Swing]) -> float:
    """Median rate."""
    return median(np.array([s.rate_hz for s in swings]))
