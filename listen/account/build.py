"""The account of one take: its parts, found in an order in which signals that resemble one are removed before it.

What is fixed in hertz comes first, then what is fixed in the tone's phase, then all that is slow; each is measured on
what those before it leave.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import events_rows
from listen.account.beating import beating, with_strong_line
from listen.account.bursts import Bursts
from listen.account.cleaning import CleanedCapture
from listen.account.describe import described
from listen.account.half_orders import HalfOrders, find_half_orders
from listen.account.interharmonics import HALVES_ROOM, InterharmonicParts, find_interharmonics
from listen.account.line_in_silence import marked_in_silence
from listen.account.lost_samples import find_lost_samples
from listen.account.low_note_sidebands import low_note_sidebands
from listen.account.mains import find_mains
from listen.account.mains_buzz import with_buzz
from listen.account.mains_or_swing import is_a_sideband, of_a_swing
from listen.account.mains_sidebands import find_sidebands
from listen.account.oscillator import classify_source, two_tones
from listen.account.other_channel import find_other_channel
from listen.account.pitch_scatter import find_wavering
from listen.account.residual import RoomEvent, find_events, unexplained_power
from listen.account.ringing import is_dip
from listen.account.settled_level import settled_law
from listen.account.shape import find_shape
from listen.account.start import Start, find_start
from listen.account.steady import steady_rows, steady_segments
from listen.account.stops import Silences, find_silences
from listen.account.swings_and_rings import swings_and_rings
from listen.account.tone import BoardTone, find_tone
from listen.account.types import Account
from listen.account.waves import WAVES_OF_SLOPES, other_wave, read_wave
from listen.capture import Capture, Damage
from listen.sorting import median
from listen.track import Frames, SpectraStore, one_thread_each, track, without_hidden_harmonics
from listen.track.types import HARMONIC_COLUMNS

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_HALF_ORDERS_SEEN, _HALF_ORDERS_DBC = 0.3, -56.0
"""Part of the rows that show lines at half orders, and their level, from which on these are kept out of the mains.

6 dB under the limit of half orders, -50 dBc, so that none that is judged is taken for hum; three rows of ten, for
alternate cycles may differ over a part of the tuning alone.
"""
_SLEWED = 1.75
"""Slope of the stage's own sine over the limit from which its level says nothing of what the stage was given: from 1.7
to a full triangle, at 1.86, the level that comes out grows by 0.1 % (the follower's closed form)."""
_JITTER = 0.15
"""Power of a hum that the wave's edges show besides, times their steepness: it moves the phase that is read, and
harmonic k by k times as much (95 of 100 rows of a square under speech 0.06 at the most, of a sawtooth beside hum 0.14:
two takes)."""
_MAINS_ROOM = 2.0
"""3 dB, as of lines and bursts: windows of a second hold the mean of what frames of 40 ms show."""


def find_account(
    capture: Capture,
    frames: Frames,
    damage: Damage,
    *,
    wave: str,
    topology: str | None,
    threads: int = 2,
    spectra: SpectraStore | None = None,
    response_hz: float | None = None,
) -> Account:
    """Find all parts of a take.

    Parameters
    ----------
    capture : Capture
    frames : Frames
        As tracked from it.
    damage : Damage
    wave : {'sine', 'triangle', 'sawtooth', 'square', 'pulse', 'any'}
        The intended wave.
    topology : str or None
        In a Wien bridge the loop filters what its amplifier makes.
    threads : int
    spectra : SpectraStore or None
        All harmonics of some rows, as tracked: what the shape of another wave than a sine is read from. Where mains
        lines are taken off they are put in its place.
    response_hz : float or None
        Corner of the recorder's first-order low-pass, where it is known.

    Returns
    -------
    Account
    """
    with one_thread_each():
        account = _lines_and_events(capture, frames, damage, threads, wave, spectra)
        if account.is_oscillator:
            account = _shape_and_level(account, capture, wave, topology)
            if account.other_wave == "any":
                heard = replace(account.heard, source="not-an-oscillator", no_sine=True)
                return described(replace(account, heard=heard, other_wave=None), damage)
            if spectra is not None:
                account = _with_wave_shape(account, capture, wave, spectra, response_hz)
            account = replace(
                account,
                recorded=without_hidden_harmonics(account.recorded, capture.recorder),
                frames=without_hidden_harmonics(account.frames, capture.recorder),
            )
        else:
            account = replace(account, other_channel=find_other_channel(capture, threads))
        return described(account, damage)


def _lines_and_events(
    capture: Capture, recorded: Frames, damage: Damage, threads: int, wave: str, spectra: SpectraStore | None
) -> Account:
    tone = as_recorded = find_tone(recorded)
    rows = tone.rows if tone is not None else np.zeros(len(recorded), dtype=bool)
    mains = with_buzz(find_mains(capture, tone, HARMONIC_COLUMNS, _has_half_orders(recorded, rows)), capture, tone)
    source: Any = capture
    frames = recorded
    if mains is not None and mains.worth_subtracting and tone is not None:
        source = CleanedCapture(capture, mains)
        if spectra is not None:
            spectra.clear()  # those of the recording hold the mains
        frames = track(source, workers=threads, spectra=spectra)
        tone = find_tone(frames)
    heard = classify_source(frames, tone, _of_the_tone(frames, tone), sine=wave == "sine")
    end_s, one_tone = capture.stop_sample / capture.true_rate_hz, heard.source == "oscillator"
    lost_samples = find_lost_samples(frames, damage, end_s, tone, one_tone=one_tone)
    empty = Account(
        recorded=recorded,
        frames=frames,
        tone=tone,
        heard=heard,
        other_channel=None,
        other_wave=None,
        mains=mains,
        sidebands=None,
        start=Start(shown=False),
        silences=Silences(dropouts=(), stop=None),
        lost_samples=lost_samples,
        cut=events_rows.overloaded(frames, damage),
        resting=np.zeros(len(frames), dtype=bool),
        segments=(),
        swings=(),
        settlings=(),
        waverings=(),
        half_orders=HalfOrders(level_dbc=np.full(len(frames), -np.inf), seen=np.zeros(len(frames), dtype=bool)),
        bursts=Bursts(level_dbc=np.full(len(frames), -np.inf), cycle=np.zeros(len(frames))),
        fixed_lines=(),
        unexplained=np.zeros(len(frames)),
        events=(),
        judged=np.zeros(len(frames), dtype=bool),
    )
    if tone is None or heard.source != "oscillator":
        return replace(empty, heard=two_tones(source, frames, heard))
    account = _of_an_oscillator(empty, source, tone, wave in WAVES_OF_SLOPES)
    if spectra is None and as_recorded is not None and is_a_sideband(mains, account.hunting, frames):
        # once more without the mains; the spectra of a wave of slopes are kept with it taken off
        source, frames, tone = capture, recorded, as_recorded
        account = _of_an_oscillator(replace(empty, frames=frames, tone=tone, mains=None), source, tone, False)
    heard = beating(source, frames, tone.rows, heard, account.second_lines, account.resting)
    if heard.source == "oscillator":
        heard = with_strong_line(heard, account.fixed_lines, median(frames.f0_hz[tone.rows]))
    return account if heard.source == "oscillator" else replace(empty, heard=heard)


def _has_half_orders(frames: Frames, rows: Flags) -> bool:
    halves = find_half_orders(frames, rows, rows)
    return bool(rows.any() and float(np.mean(halves.level_dbc[rows] > _HALF_ORDERS_DBC)) > _HALF_ORDERS_SEEN)


def _of_the_tone(frames: Frames, tone: BoardTone | None) -> Floats:
    """Power between the harmonics that the tone makes by itself: its level moves, or alternate cycles differ."""
    if tone is None:
        return np.zeros(len(frames))
    halves = find_half_orders(frames, tone.rows, tone.rows)
    return events_rows.level_change_residual(frames, tone) + HALVES_ROOM * 10 ** (
        np.maximum(halves.level_dbc, -300.0) / 10
    )


def _of_an_oscillator(account: Account, source: Any, tone: BoardTone, edges: bool) -> Account:
    frames = account.frames
    start = find_start(source, tone)
    started_s = start.settled_s or float(tone.time_s[0])
    silences = find_silences(source, tone, started_s, account.lost_samples.zeros)
    quiet = events_rows.quiet_places(silences, account.lost_samples)
    rest_rows = steady_rows(frames, tone.rows)
    resting = np.zeros(len(frames), dtype=bool)
    for a, b in rest_rows:
        resting[a:b] = True
    low_notes = low_note_sidebands(source, tone, _has_half_orders(frames, tone.rows))
    sidebands = find_sidebands(frames.envelope, low_notes, tone)
    account = replace(account, sidebands=sidebands)
    moving = events_rows.level_change_residual(frames, tone)
    found = find_interharmonics(source, account, tone, resting, moving)
    calm = events_rows.calm_rows(frames, tone, start, quiet, account.lost_samples)
    edges = edges or events_rows.has_edges(frames, tone)
    off_cents = events_rows.EDGES_OFF_CENTS if edges else events_rows.OFF_CENTS
    still = calm & ~events_rows.moving_fast(frames, tone, off_cents)
    if not start.shown:
        # the take begins with the tone running: the AC coupling is still settling
        still &= frames.time_s > float(frames.time_s[0]) + events_rows.COUPLING_SETTLES_S
    other = moving + events_rows.offset_residual(frames) + (events_rows.edge_residual(frames) if edges else 0.0)
    if sidebands is not None:
        other = other + _MAINS_ROOM * sidebands.power_over(frames)
    if account.mains is not None:
        hidden = account.mains.hidden_over(frames) * (1.0 + (_JITTER * events_rows.steepness(frames) if edges else 0.0))
        other = other + _MAINS_ROOM * np.nan_to_num(account.mains.buzz_over(frames) + hidden)
    found, unexplained, (events, touched) = _with_events(found, frames, tone, still, other)
    account = replace(
        account,
        start=start,
        silences=silences,
        resting=resting,
        half_orders=found.half_orders,
        bursts=found.bursts,
        fixed_lines=found.lines,
        unexplained=np.where(touched, 0.0, unexplained),
        events=tuple(events),
    )
    judged = calm & ~touched & ~events_rows.sounds_and_gaps(frames, events)
    account = _at_rest(account, tone, rest_rows, events_rows.barred(tone, quiet, account.lost_samples, events), judged)
    return replace(account, swings=marked_in_silence(source, tone, account.swings))


def _with_events(
    found: InterharmonicParts, frames: Frames, tone: BoardTone, still: Flags, other: Floats
) -> tuple[InterharmonicParts, Floats, tuple[list[RoomEvent], Flags]]:
    """Events of the room, once more without lines that stand in these alone; and the power that nothing explains."""
    unexplained = unexplained_power(frames, still, found.explained(frames, tone) + other)
    events, touched = find_events(frames, still, unexplained)
    lasting = found.without_events(frames.time_s, touched)
    if lasting is not found:
        unexplained = unexplained_power(frames, still, lasting.explained(frames, tone) + other)
        events, touched = find_events(frames, still, unexplained)
    return lasting, unexplained, (events, touched)


def _at_rest(
    account: Account, tone: BoardTone, rest_rows: list[tuple[int, int]], barred: tuple[Flags, Flags], judged: Flags
) -> Account:
    """Level and pitch variations during steady segments and after quick retunes."""
    frames, start = account.frames, account.start
    gone, disturbed = barred
    after_s = start.settled_s + events_rows.AFTER_START_S if start.settled_s else float(tone.time_s[0])
    segments = steady_segments(frames, tone, rest_rows, gone, disturbed, after_s)
    swings, settlings, first_ring = swings_and_rings(account, tone, segments)
    rings = [s for s in settlings if s.ring] + first_ring
    touched = [(s.retune_s, s.retune_s + max(0.1, s.over_s)) for s in rings]
    dropouts = [d for d in account.silences.dropouts if not any(is_dip(d, ring) for ring in first_ring)]
    sidebands = None if of_a_swing(account.sidebands, swings) else account.sidebands
    if sidebands is not None:
        judged = judged & ~sidebands.on_harmonics(frames)
    return replace(
        account,
        sidebands=sidebands,
        silences=replace(account.silences, dropouts=tuple(dropouts)),
        segments=tuple(segments),
        swings=tuple(swings),
        settlings=tuple(settlings),
        rings=tuple(rings),
        waverings=tuple(find_wavering(frames, tone, segments, swings, gone | disturbed)),
        judged=judged & ~events_rows.rows_near(frames.time_s, touched, 0.03, 0.0),
    )


def _shape_and_level(account: Account, capture: Capture, wave: str, topology: str | None) -> Account:
    """Wave shape, whether it is the stated wave, and the level at the stage's input."""
    frames = account.frames
    usable, wien = account.judged & ~account.cut, topology == "wien-bridge"
    mains = account.mains
    buzz = (mains.mains_hz, float(np.sqrt(mains.buzz_line))) if mains is not None and mains.buzz_power > 0.0 else None
    shape = find_shape(frames, usable, wien=wien, wave=wave, recorder=capture.recorder, buzz=buzz)
    other = other_wave(shape.bins, wave) if shape is not None else None
    level, rows = frames.level_dbfs, account.judged & ~account.cut
    if shape is not None and shape.sizes is not None and other is None:
        sizes = shape.sizes
        steep = sizes.at(sizes.steepest, frames.f0_hz)
        if shape.inside:
            # within the loop the level follows from the limit itself
            rows = rows & ~(steep > 1.0)
        else:
            level = level - 20 * np.log10(sizes.at(sizes.gain, frames.f0_hz))
            rows = rows & ~(steep > _SLEWED)
    law = settled_law(frames, level, rows, capture.ac_coupling_hz is not None, account)
    return replace(account, shape=shape, other_wave=other, law=law)


def _with_wave_shape(
    account: Account, capture: Capture, wave: str, spectra: SpectraStore, response_hz: float | None
) -> Account:
    """Read the shape of a wave of slopes and edges, where it is the stated one."""
    if wave not in WAVES_OF_SLOPES or account.shape is None or account.other_wave is not None:
        return account
    found = read_wave(
        account.frames,
        account.shape.rows,
        spectra,
        wave,
        coupling_known=capture.ac_coupling_hz is not None,
        response_hz=response_hz,
    )
    if found is None:
        return account
    # what rounds or cuts the wave takes of its level, too: that is no other drift
    level = account.frames.level_dbfs - found.at(found.gain_db, account.frames.f0_hz)
    law = settled_law(account.frames, level, account.judged & ~account.cut, found.coupling_known, account)
    return replace(account, wave_shape=found, law=law)
