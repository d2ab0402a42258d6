"""What the level does at the rests: swings that go on, and rings that die away after power on and after a retune."""

from __future__ import annotations

from dataclasses import replace

from listen.account.half_orders import HalfOrders
from listen.account.mains_or_swing import is_mains
from listen.account.modulation import Swing, find_swings, without_rings, without_sounds
from listen.account.settled_level import BOUNCES_DB
from listen.account.settling import Settling, find_settlings
from listen.account.start import Start
from listen.account.steady import SteadySegment
from listen.account.tone import BoardTone
from listen.account.types import Account
from listen.sorting import median
from listen.track import Frames

_RECOVERS_S = 1.0
"""A level that comes back from power on without a turn, in longer than this, drifts: a lamp, a board that warms up.
Chosen: twice the limit of a bounce."""
_FIRST_REST_S = 1.0
"""A level that rings by more than 20 dB hides the beginning of the first rest; a hand is not there so soon. Chosen."""
_LOOKED_AT_S, _TURNS_ROUND = 1.5, 1.0
"""Of a take whose first rest comes later: three times the limit of a level that settles; and a ring of one turn at the
least. Chosen."""
_SAME_RATE, _STAYS = 0.1, 1.5
"""Rates within a tenth are one: short rests, of two turns and a half, give no better. A ring that decays in 1.5 times
the length of the rest has in its last third 64 % of the first one's swing, as much as a swing that goes on (60 %)."""
_EXPLAINS_MORE = 0.2
"""Of the level's variance: a swing that explains so much more than a ring that dies away is what it is. Chosen: with
less between them the ring is kept, which is judged by how long it lasts."""
_HALF_RATE, _HALVES_DBC, _HALVES_SEEN = 0.05, -60.0, 0.3
"""A rest gives a swing's rate to a twentieth; alternate cycles that differ show in three rows of ten at the least, and
10 dB under their limit a swing of what they make is under its own."""


def swings_and_rings(
    account: Account, tone: BoardTone, segments: list[SteadySegment]
) -> tuple[list[Swing], list[Settling], list[Settling]]:
    """Find swings, what settles after quick retunes, and the ring after power on.

    Parameters
    ----------
    account : Account
        With its start, half orders, mains and events.
    tone : BoardTone
    segments : list of SteadySegment

    Returns
    -------
    swings : list of Swing
    settlings : list of Settling
    first_ring : list of Settling
        One, or none.
    """
    frames, start, halves = account.frames, account.start, account.half_orders
    first = [s for s in segments[:1] if start.settled_s and s.start_s <= start.settled_s + _FIRST_REST_S]
    slow = [s for s in segments if s.retune_s is None and s not in first]
    swings = [s for s in find_swings(tone, slow) if not _at_half_pitch(s, halves, frames)]
    settlings = find_settlings(tone, segments, [s for s in swings if not s.one_sided])
    rests = [(s, s.retune_s) for s in segments if s.retune_s is not None]
    more, settlings = _after_retunes(tone, rests, swings, settlings)
    swings += more
    first_ring = _ring_of_the_start(tone, start, segments, swings)
    rests = [(s, float(start.settled_s or 0.0)) for s in first if s.retune_s is None]
    more, first_ring = _after_retunes(tone, rests, swings, first_ring)
    swings += [s for s in more if not _at_half_pitch(s, halves, frames)]
    swings = without_sounds([s for s in swings if not is_mains(s, account.mains)], account.events)
    swings = without_rings(swings, any(s.deviation_db > BOUNCES_DB for s in settlings))
    return swings, settlings, [s for s in first_ring if s.ring]


def _ring_of_the_start(
    tone: BoardTone, start: Start, segments: list[SteadySegment], swings: list[Swing]
) -> list[Settling]:
    """The level's ring after power on: no drift. One that does not turn round settles soon, else it is a drift."""
    if not start.settled_s:
        return []
    if segments and segments[0].start_s <= start.settled_s + _FIRST_REST_S:
        found = find_settlings(tone, [replace(segments[0], retune_s=start.settled_s)], swings)
        return [s for s in found if s.ring and (s.rate_hz or s.settle_s < _RECOVERS_S)]
    # the pitch wavers, or a hand turns at once: then a ring is one that turns round, for a slope may be the turn's
    first, stop = tone.index(start.settled_s), tone.index(start.settled_s + _LOOKED_AT_S)
    if not segments or stop - first < 2 or not tone.tracked[first:stop].all():
        return []
    span = SteadySegment(
        first=first,
        stop=stop,
        start_s=float(tone.time_s[first]),
        end_s=float(tone.time_s[stop - 1]),
        f0_hz=median(tone.f0_hz[first:stop]),
        retune_s=start.settled_s,
    )
    return [s for s in find_settlings(tone, [span], swings) if s.ring and s.rate_hz * s.over_s > _TURNS_ROUND]


def _after_retunes(
    tone: BoardTone, rests: list[tuple[SteadySegment, float]], swings: list[Swing], settlings: list[Settling]
) -> tuple[list[Swing], list[Settling]]:
    """AM swings at rests that begin with a quick retune or with power on, at some time, and what settles there.

    A swing is at the rate found in long steady segments, or not explained by a decaying ring: which then is none.
    """
    out, settling = [], {s.retune_s: s for s in settlings}
    for segment, at_s in rests:
        found = settling.get(at_s)
        ring = found if found is not None and found.ring else None
        for swing in find_swings(tone, [segment]):
            known = any(abs(swing.rate_hz / s.rate_hz - 1) < _SAME_RATE for s in swings)
            lasts = ring is None or ring.decay_s > _STAYS * segment.seconds or swing.share > ring.share + _EXPLAINS_MORE
            if known or lasts:
                out.append(swing)
            if ring is not None and lasts:
                settling[ring.retune_s] = Settling(retune_s=ring.retune_s, f0_hz=ring.f0_hz, ring=False)
    return out, list(settling.values())


def _at_half_pitch(swing: Swing, halves: HalfOrders, frames: Frames) -> bool:
    """Whether a swing comes at half the pitch where alternate cycles differ: that is the difference itself."""
    half = 0.5 * swing.segment.f0_hz
    near = (frames.time_s >= swing.segment.start_s) & (frames.time_s <= swing.segment.end_s)
    seen = bool((halves.level_dbc[near] > _HALVES_DBC).mean() > _HALVES_SEEN)
    return abs(swing.rate_hz - half) < _HALF_RATE * half and seen
