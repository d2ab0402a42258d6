"""Segments of continuous tone: onsets, ends, pitch steps, and the octave."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.sorting import median
from listen.track.pitch_estimate import TONE_BELOW, CoarseTrack
from listen.track.types import Flags, Floats

Reader = Callable[[int, int], Floats]

STEP_RATIO = 1.08
"""Ratio of the pitches of two hops above which the pitch may have stepped .."""
_GLIDE = 0.45
""".. unless an adjacent hop moves the same way by this part of it: the control was turned quickly."""
_PURE = 0.08
"""Largest normalised difference of a hop that holds one pitch; one across a step holds two, and differs more."""
_CLEAR = 0.02
"""Normalised difference of a tone 20 dB over what else sounds: words hold no period so well for half a second."""
_SURE = 0.1
"""Largest normalised difference of a single isolated hop."""
_SAME_NOTE = 0.04
"""The two sides of a gap differ by less, half of what makes a step. 0.02 and 0.08 decided alike on 22 takes."""
_SAME_TURN = 0.02
"""Moves from hop to hop on the two sides of a gap in a turn differ by less: half of what the gap may be off."""
_OFF_CURVE = 0.004
"""Of the hops of 16 healthy takes 98 in 100 lie nearer to the curve through their neighbours, nine in ten within
0.0005. Half of it decided alike on 22 takes."""
_ALWAYS_STEP_RATIO = 1.6
"""Over 16 octaves a second, which no turned control makes: in 16 healthy takes no hop moved by more than 16 %."""
_FLOOR_AMPLITUDE = 10 ** (-96 / 20)
"""Half a step of 16 bits."""
BELOW_LOUDEST_DB = 62.0
"""What lies further under the loudest tone is none: it is the tail of a decay, the room or the mains. 68 dB decided
alike on 22 takes, 56 dB but for a note of the room's sound in one."""
_LOW_AMPLITUDE = 10 ** (-30 / 20)
"""A take of hum alone is weaker. Chosen: a tone recorded as the README says peaks between -12 and -6 dBFS."""
_SAME_TONE = 0.0015
"""A tone that grows or dies keeps its pitch from hop to hop to so much, hum wanders more. Chosen."""
_FADE = 0.3, 0.997
"""Ratio of the levels of two hops of a decaying tone: it falls, by at most 10 dB; hum stays."""
_MAINS_WANDER, _LARGE_WANDER = 0.004, 0.03
"""Grids that are not islands keep their frequency within 0.4 % (from memory); a hop at an end of the take or on a click
errs by up to half a semitone. Chosen."""
_LOUD_HOPS = 12
"""Half a second: so long a tone lasts that is a tone, or a tenth of a short take."""
_MOST_HOPS = 0.9
"""Of all hops: one in ten may lie on a click. Chosen."""
_VOTE_HOPS = 4
"""An octave error that lasts longer, 160 ms, is a note. Chosen."""
_HIGHEST_ORDER = 2000
"""Of the lowest pitch, 12 Hz, it lies at 24 kHz; a hop without a pitch has no order."""
_FEWEST_CYCLES = 4.0
"""As many as a frame has."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Segment:
    """One segment of continuous tone.

    Attributes
    ----------
    start, stop : float
        Samples of the file.
    knots : ndarray, shape (n,)
        Samples at which the rough pitch is known.
    f0_hz : ndarray, shape (n,)
    reference : int
        The harmonic whose phase is followed: the strongest low one.
    """

    start: float
    stop: float
    knots: Floats
    f0_hz: Floats
    reference: int


def find_segments(track: CoarseTrack, rate_hz: float, first: int, last: int, read: Reader) -> list[Segment]:
    """Divide the rough pitch track into segments of tone.

    Parameters
    ----------
    track : CoarseTrack
    rate_hz : float
    first, last : int
        The span of samples looked at.
    read : callable (start, stop) -> ndarray
        Samples of the file, zeros outside of it.

    Returns
    -------
    list of Segment
        In order of time, not overlapping.
    """
    amplitude = np.sqrt(track.power)
    floor = max(_FLOOR_AMPLITUDE, 10 ** (-BELOW_LOUDEST_DB / 20) * float(amplitude.max(initial=0.0)))
    voiced = (track.f0_hz > 0) & (track.normalised_difference < TONE_BELOW) & (amplitude > floor)
    hum = voiced & _mains_alone(track.f0_hz, amplitude, voiced & (track.normalised_difference < _CLEAR))
    voiced = _with_fades(voiced & ~hum, hum, track.f0_hz, amplitude)
    if _mains_only(track.f0_hz[voiced], amplitude[voiced]):
        voiced[:] = False
    f0, voiced = _bridged(track.f0_hz, voiced, amplitude)
    f0 = _voted(f0, voiced)
    places = track.first_sample + track.hop_samples * np.arange(len(f0))
    runs = _runs(f0, voiced, track.normalised_difference)
    for a, b in runs:
        f0[a:b] = _without_outliers(f0[a:b])
    span = _Span(first=first, last=last, rate_hz=rate_hz, read=read)
    return [
        _segment(start, stop, places[a:b], f0[a:b], _reference(track, a, b))
        for (a, b), (start, stop) in zip(runs, _edges(runs, places, f0, span, track.hop_samples), strict=True)
        if (stop - start) * median(f0[a:b]) >= _FEWEST_CYCLES * rate_hz
    ]


def _mains_alone(f0_hz: Floats, amplitude: Floats, clear: Flags) -> Flags:
    """Hops that are mains hum: a multiple of 50 or 60 Hz that is weak, or far below the loudest tone.

    ``clear``: hops that hold one period to a hundredth. Where a tone is as weak elsewhere it rests there, too.
    """
    # what is loud for an instant (a thump, a recorder's gain before it settles) is no tone to hold the rest against
    least = max(10 ** (-50 / 20), 0.2 * _loudest(amplitude))
    hum = np.zeros(len(f0_hz), dtype=bool)
    if float(amplitude.min(initial=np.inf)) >= least:
        return hum
    for mains in (50.0, 60.0):
        order = np.round(f0_hz / mains)
        hum |= (order >= 1) & (order <= 6) & (np.abs(f0_hz - order * mains) < 0.006 * f0_hz)
    elsewhere = amplitude[clear & ~hum]
    if len(elsewhere) > _LOUD_HOPS:
        least = min(least, 0.5 * _loudest(elsewhere))
    faint: Flags = hum & (amplitude < least)
    return faint


def _loudest(amplitude: Floats) -> float:
    """What half a second of the hops comes to."""
    most = np.sort(amplitude)[-max(1, min(_LOUD_HOPS, len(amplitude) // 10)) :]
    return float(most[0] if len(most) else 0.0)


def _with_fades(voiced: NDArray[np.bool_], hum: NDArray[np.bool_], f0_hz: Floats, amplitude: Floats) -> Flags:
    """Hops of a tone, extended by adjacent ones classified as hum that are its own onset or decay."""
    out = voiced.copy()
    if not hum.any():
        return out
    last = len(out) - 1
    for step in (1, -1):
        neighbour = out[:-1] & hum[1:] if step == 1 else out[1:] & hum[:-1]
        for place in (np.flatnonzero(neighbour) + (1 if step == 1 else 0)).tolist():
            i = place
            while 0 <= i <= last and hum[i]:
                same = abs(f0_hz[i] / f0_hz[i - step] - 1.0) < _SAME_TONE
                if not (same and _FADE[0] < amplitude[i] / amplitude[i - step] < _FADE[1]):
                    break
                out[i] = True
                i += step
    return out


def _mains_only(f0_hz: Floats, amplitude: Floats) -> bool:
    """Whether the whole take is mains hum: at the mains frequency or twice it, and weaker than any recorded tone."""
    if not len(f0_hz) or float(amplitude.max()) > _LOW_AMPLITUDE:
        return False
    off = np.abs(f0_hz / np.array([[50.0], [60.0], [100.0], [120.0]]) - 1.0)
    # hops at an end of the take or on a click are less accurate
    near = (np.mean(off < _MAINS_WANDER, axis=1) > _MOST_HOPS) & (off < _LARGE_WANDER).all(axis=1)
    return bool(near.any())


def _bridged(f0_hz: Floats, voiced: NDArray[np.bool_], amplitude: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Bridge one or two hops disturbed by a gap in the recording: pitch and level are continuous across them."""
    f0, flags = f0_hz.copy(), voiced.copy()
    if _one_note(f0, flags):  # nothing that is strange beside its neighbours
        return f0, flags
    for hole in (1, 2):
        places = np.arange(1, max(len(f0) - hole, 1))
        waiting = places[_bridges(f0, flags, amplitude, places, hole)[0]][::-1].tolist()
        i = again = 0
        while waiting or i < again:
            # after a bridge the following hops may qualify too
            i = i + 1 if i < again else waiting.pop()
            while waiting and waiting[-1] <= i:
                waiting.pop()
            there, bridge = _bridges(f0, flags, amplitude, np.array([i]), hole)
            if there[0]:
                f0[i : i + hole] = bridge[0]
                flags[i : i + hole] = True
                again = min(i + hole, len(f0) - hole - 1)
    return f0, flags


def _one_note(f0_hz: Floats, voiced: NDArray[np.bool_]) -> bool:
    """Whether all hops hold a tone, and no two differ by as much as the sides of a gap may."""
    return bool(voiced.all()) and float(f0_hz.max(initial=0.0)) < (1.0 + 0.9 * _SAME_NOTE) * float(
        f0_hz.min(initial=np.inf)
    )


def _bridges(
    f0: Floats, flags: NDArray[np.bool_], amplitude: Floats, places: NDArray[np.int64], hole: int
) -> tuple[NDArray[np.bool_], Floats]:
    """Whether ``hole`` hops from each place on are a gap, and the pitch interpolated across it."""
    a, b = places - 1, places + hole
    inside = places[:, None] + np.arange(hole)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = f0[b] / f0[a]
        bridge = f0[a, None] * ratio[:, None] ** (np.arange(1, hole + 1) / (hole + 1))
        strange = ~flags[inside] | (np.abs(f0[inside] / bridge - 1.0) > _SAME_NOTE)
        level = amplitude[inside] > 0.4 * np.minimum(amplitude[a], amplitude[b])[:, None]
        same = flags[a] & flags[b] & (np.abs(ratio - 1.0) <= _SAME_NOTE)
        # a control that is turned on both sides alike has moved on meanwhile
        outer_a, outer_b = np.maximum(a - 1, 0), np.minimum(b + 1, len(f0) - 1)
        before, after = np.log(f0[a] / f0[outer_a]), np.log(f0[outer_b] / f0[b])
        turned = (np.abs(after - before) <= _SAME_TURN) & (np.sign(before) == np.sign(after))
        on = np.abs(np.log(ratio) - 0.5 * (hole + 1) * (before + after)) <= _SAME_NOTE
        same |= flags[a] & flags[b] & flags[outer_a] & flags[outer_b] & turned & on
    return same & strange.any(axis=1) & level.all(axis=1), bridge


def _voted(f0_hz: Floats, voiced: NDArray[np.bool_]) -> Floats:
    """Correct octave errors: a few hops at a simple ratio to both neighbours."""
    out = f0_hz.copy()
    index = np.flatnonzero(voiced)
    if len(index) < 3 or _one_note(out, voiced):
        return out
    log = np.log(out[index])
    jumps = np.flatnonzero((np.abs(np.diff(log)) > np.log(1.25)) | (np.diff(index) > 1)) + 1
    bounds = np.concatenate([[0], jumps, [len(index)]])
    for a, b in itertools.pairwise(bounds):
        if b - a > _VOTE_HOPS or a == 0 or b == len(index):
            continue
        left, right = log[a - 1], log[b]
        if abs(left - right) > np.log(1.25) or index[b] - index[a - 1] > _VOTE_HOPS + 2:
            continue
        middle = np.interp(index[a:b], [index[a - 1], index[b]], [left, right])
        ratio = np.exp(log[a:b] - middle)
        whole = np.where(ratio >= 1, np.round(ratio), 1 / np.maximum(np.round(1 / ratio), 1))
        near = np.abs(ratio / whole - 1) < 0.05
        out[index[a:b]] = np.where(near, out[index[a:b]] / whole, np.exp(middle))
    return out


def _runs(f0_hz: Floats, voiced: NDArray[np.bool_], normalised_difference: Floats) -> list[tuple[int, int]]:
    """Hops [a, b) of each continuous run; single uncertain hops are dropped."""
    if len(f0_hz) > 1 and _one_note(f0_hz, voiced):
        return [(0, len(f0_hz))]
    inside = np.concatenate([[False], voiced, [False]])
    stepped = np.concatenate([_stepped(f0_hz, voiced, normalised_difference), [True]])
    starts = np.flatnonzero(inside[1:] & (~inside[:-1] | stepped))
    stops = np.flatnonzero(inside[:-1] & (~inside[1:] | stepped))
    valid = (stops - starts > 1) | (normalised_difference[starts] < _SURE)
    return _without_transitions(list(zip(starts[valid].tolist(), stops[valid].tolist(), strict=True)))


def _without_outliers(f0_hz: Floats) -> Floats:
    """Replace single outliers between neighbours that nearly agree: a gap or a click."""
    if len(f0_hz) < 3:
        return f0_hz
    out = f0_hz.copy()
    mean_hz = np.sqrt(f0_hz[:-2] * f0_hz[2:])
    off = np.abs(f0_hz[1:-1] / mean_hz - 1.0) > 0.002
    agree = np.abs(f0_hz[2:] / f0_hz[:-2] - 1.0) < 0.02
    out[1:-1] = np.where(off & agree, mean_hz, f0_hz[1:-1])
    if len(f0_hz) < 7:
        return out
    # in a sweep: outliers from the curve through two neighbours on each side
    log = np.log(out)
    curve = (4.0 * (log[1:-3] + log[3:-1]) - (log[:-4] + log[4:])) / 6.0
    strange = np.abs(log[2:-2] - curve) > _OFF_CURVE
    calm = np.abs(log[4:] - 3 * log[3:-1] + 3 * log[1:-3] - log[:-4]) < 2 * _OFF_CURVE
    out[2:-2] = np.where(strange & calm, np.exp(curve), out[2:-2])
    return out


def _stepped(f0_hz: Floats, voiced: NDArray[np.bool_], normalised_difference: Floats) -> NDArray[np.bool_]:
    """Whether the pitch stepped between each hop and the previous one.

    A move in the hop beside makes it a glide, unless the hop between the two moves saw two pitches at once.
    """
    move = np.zeros(len(f0_hz) + 2)
    both = voiced[1:] & voiced[:-1]
    move[2:-1][both] = np.log(f0_hz[1:][both] / f0_hz[:-1][both])
    here, before, after = move[1:-1], move[:-2], move[2:]
    sign = np.sign(here)
    pure = normalised_difference < _PURE
    shared = np.concatenate([[False], pure[:-1]])
    neighbour = np.maximum(np.where(shared, before * sign, 0.0), np.where(pure, after * sign, 0.0))
    size = np.abs(here)
    stepped: NDArray[np.bool_] = (size > np.log(_ALWAYS_STEP_RATIO)) | (
        (size > np.log(STEP_RATIO)) & (neighbour < _GLIDE * size)
    )
    return stepped


def _without_transitions(runs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Drop single hops between two adjoining runs: they contain both pitches."""
    separate = []
    for i, (a, b) in enumerate(runs):
        joined = 0 < i < len(runs) - 1 and runs[i - 1][1] == a and runs[i + 1][0] == b
        if not (joined and b - a == 1):
            separate.append((a, b))
    return separate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Span:
    """The samples that are looked at."""

    first: int
    last: int
    rate_hz: float
    read: Reader


def _edges(runs: list[tuple[int, int]], places: NDArray[np.int64], f0: Floats, span: _Span, hop: int) -> Floats:
    """First and last sample of each run: where the pitch steps, or where the tone sets in or ends."""
    edges = np.empty((len(runs), 2))
    for i, (a, b) in enumerate(runs):
        before = runs[i - 1][1] if i > 0 else None
        if before is not None and a - before <= 1:
            edges[i - 1, 1] = edges[i, 0] = _step_place(
                span.read, int(places[before - 1]), int(places[a]), f0[before - 1], f0[a], span.rate_hz
            )
        else:
            onset = float(places[a])
            outer = max(float(span.first), onset - 1.5 * hop)
            edges[i, 0] = outer if outer <= span.first else _edge_place(span.read, onset, outer, span.rate_hz / f0[a])
        following = i + 1 < len(runs) and runs[i + 1][0] - b <= 1
        if not following:
            end = float(places[b - 1])
            outer = min(float(span.last), end + 1.5 * hop)
            edges[i, 1] = outer if outer >= span.last else _edge_place(span.read, end, outer, span.rate_hz / f0[b - 1])
    return edges


def _segment(start: float, stop: float, places: NDArray[np.int64], f0: Floats, reference: int) -> Segment:
    """A segment between two samples, whose knots are the middles of the hops within, and its ends."""
    inside = (places > start) & (places < stop)
    if not inside.any():
        inside[:] = True
    knots, pitch = places[inside].astype(float), f0[inside]
    knots = np.concatenate([[min(start, knots[0] - 1)], knots, [max(stop, knots[-1] + 1)]])
    pitch = np.concatenate([[pitch[0]], pitch, [pitch[-1]]])
    return Segment(start=start, stop=stop, knots=knots, f0_hz=pitch, reference=reference)


def _reference(track: CoarseTrack, a: int, b: int) -> int:
    order = np.round(track.strongest_hz[a:b] / np.maximum(track.f0_hz[a:b], 1e-9))
    counts = np.bincount(order[(order >= 1) & (order <= _HIGHEST_ORDER)].astype(np.int64))
    return int(np.argmax(counts)) if len(counts) else 1


def _step_place(read: Reader, left: int, right: int, f_left: float, f_right: float, rate_hz: float) -> float:
    """Sample at which the pitch changes from the left one to the right one."""
    width = int(max(1.5 * rate_hz / min(f_left, f_right), 0.003 * rate_hz))
    x = read(left - width, right + width)
    n = np.arange(len(x))
    box = np.ones(width)
    amplitudes = []
    for f in (f_left, f_right):
        turned = np.concatenate([[0], np.cumsum((x - x.mean()) * np.exp(-2j * np.pi * f / rate_hz * n))])
        amplitudes.append(np.abs(turned[len(box) :] - turned[: -len(box)]))
    lead = amplitudes[0] - amplitudes[1]
    gain = np.cumsum(lead)
    at = int(np.argmax(gain))
    return float(np.clip(left - width + at + width / 2, left + 1, right - 1))


def _edge_place(read: Reader, inside: float, outside: float, period: float) -> float:
    """Onset or end of a tone between a sample inside and one outside."""
    a, b = int(min(inside, outside)), int(max(inside, outside))
    width = max(4, round(period))
    x = read(a - width, b + width)
    x = x - median(x)
    total = np.concatenate([[0.0], np.cumsum(x * x)])
    rms = np.sqrt(np.maximum(total[width:] - total[:-width], 0.0) / width)
    places = a - width + np.arange(len(rms)) + width / 2
    tone = rms[np.argmin(np.abs(places - inside))]
    noise = rms.min()
    if not tone > 4.0 * noise:
        return outside
    loud = rms > max(np.sqrt(tone * noise), 0.1 * tone if noise < 0.003 * tone else 0.0)
    if inside < outside:
        after = np.flatnonzero(~loud & (places >= inside))
        edge = places[after[0]] - width / 2 if len(after) else outside
    else:
        before = np.flatnonzero(~loud & (places <= inside))
        edge = places[before[-1]] + width / 2 if len(before) else outside
    return float(np.clip(edge, a, b))
