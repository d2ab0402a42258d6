"""The level that the board settles to: less rings, hunting and a lag behind the control, and away from dead spots."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import events_rows
from listen.account.level_lag import lag_db, speed_octaves_per_s
from listen.account.level_law import LevelLaw, fit_level_law
from listen.account.loop_ring import LoopRing, driven, loop_ring, unsettled_after
from listen.account.ringing import ringing_rows
from listen.account.types import Account
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_DEAD_SPOT, _NEIGHBOUR = 1.05, 1.02
"""Ratios of pitch. Where the control moved by less than a semitone (1.06) while the tone was dead, the spot is one in
time, not on the dial; and the level is low up to a third of a semitone beside it. Chosen, not varied."""
BOUNCES_DB, _HUNTS = 1.0, 0.01
"""The limits of a bounce and of hunting, which are then said: the same loop's lag is no second cause."""


def near_dead_spots(frames: Frames, account: Account) -> Flags:
    """Rows at pitches that the control passed while the tone was dead: beside such a spot the level is low too.

    Parameters
    ----------
    frames : Frames
    account : Account
    """
    out = np.zeros(len(frames), dtype=bool)
    for gone in account.silences.dropouts:
        low, high = gone.f0_low_hz, gone.f0_high_hz
        if gone.comes_back and high > _DEAD_SPOT * low:
            with np.errstate(invalid="ignore"):
                out |= (frames.f0_hz > low / _NEIGHBOUR) & (frames.f0_hz < high * _NEIGHBOUR)
    return out


def settled_law(
    frames: Frames, level_dbfs: Floats, rows: Flags, corner_known: bool, account: Account
) -> LevelLaw | None:
    """Fit the level against pitch and time, less what rings, hunts and lags.

    Parameters
    ----------
    frames : Frames
    level_dbfs : ndarray, shape (n,)
        Row by row; what other parts take of it given back.
    rows : ndarray of bool, shape (n,)
        Rows that are judged.
    corner_known : bool
        The interface's coupling is known, and undone.
    account : Account
        With its rings, hunting and dropouts.
    """
    use = rows & np.isfinite(level_dbfs) & np.isfinite(frames.f0_hz) & ~near_dead_spots(frames, account)
    rings, ring = account.rings, loop_ring(account.rings, BOUNCES_DB)
    if ring is not None:
        use &= ~_after_dropouts(frames.time_s, account, ring)
    smooth = events_rows.without_hunting(frames, level_dbfs, use, account.hunting)
    use &= np.isfinite(smooth)
    # the settled level is what a ring is followed against
    settled = use & ~events_rows.rows_near(
        frames.time_s, [(s.retune_s, s.retune_s + s.over_s) for s in rings], 0.0, 0.0
    )
    law = fit_level_law(frames.time_s[settled], frames.f0_hz[settled], smooth[settled], corner_known)
    if law is not None and rings:
        settled = use.copy()
        settled[use] = ~ringing_rows(frames.time_s[use], smooth[use] - law.at(frames.f0_hz[use]), rings)
        said = any(s.deviation_db > BOUNCES_DB for s in account.settlings) or any(
            s.depth > _HUNTS for s in account.hunting
        )
        if said:
            smooth[settled] -= _lag(frames, smooth, settled, account, ring)
        law = fit_level_law(frames.time_s[settled], frames.f0_hz[settled], smooth[settled], corner_known) or law
    return law


def _after_dropouts(time_s: Floats, account: Account, ring: LoopRing) -> Flags:
    """Rows in which the loop still rings after a tone that came back."""
    assert account.tone is not None
    back = [gone.end_s for gone in account.silences.dropouts if gone.comes_back]
    return unsettled_after(account.tone, ring, back, time_s)


def _lag(frames: Frames, level_db: Floats, rows: Flags, account: Account, ring: LoopRing | None) -> Floats:
    """What a loop that bounces takes of the level while the control turns."""
    time_s, f0_hz = frames.time_s[rows], frames.f0_hz[rows]

    def law_at(values: Floats) -> Floats | None:
        # a corner's fall toward low notes is a law along the pitch, too
        law = fit_level_law(time_s, f0_hz, values, corner_known=True)
        return law.at(f0_hz) if law is not None else None

    assert account.tone is not None
    tone, responses = account.tone, []
    if ring is not None:
        speed = speed_octaves_per_s(tone, tone.time_s, tone.grid_s)
        responses = [np.interp(time_s, tone.time_s, driven(tone, ring, speed))]
    return lag_db(tone, time_s, level_db[rows], law_at, responses)
