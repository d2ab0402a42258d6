"""The first question: is it an oscillator? One tone with unbroken phase, harmonics in whole ratios."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from listen.account.tone import CLEAN_DBC, BoardTone
from listen.sorting import median, quantile
from listen.track import Frames

Floats = NDArray[np.floating[Any]]

Source = Literal["oscillator", "two-tones", "not-an-oscillator", "absent"]

_SOUNDING_DB = 26.0
_TONE_SHARE = 0.6
"""Of the sounding time so much must hold a clean tone: oscillators, faulty ones included, had 0.89 or more, speech and
instruments 0.7 or less, but for a held note."""
_USUAL_DBC = -18.0
"""80 of 100 rows of an oscillator's tone leave less; the worst of 139 oscillators left -19."""
_BOARD_S = 1.5
_BOARD_SHARE = 0.25
"""A board that sings cleanly for so long, and so much of the take, is one, whatever else sounds in the room."""
_FEWEST_CYCLES = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What kind of sound the take holds.

    Attributes
    ----------
    source : {'oscillator', 'two-tones', 'not-an-oscillator', 'absent'}
    clean_share : float
        Part of the sounding time that holds a clean tone.
    residual_dbc : float
        Median of what the harmonics leave.
    """

    source: Source
    clean_share: float
    residual_dbc: float


def what_is_heard(frames: Frames, tone: BoardTone | None) -> Heard:
    """Tell an oscillator from other sounds."""
    tracked = frames.oscillating
    if tone is None or not tracked.any():
        return Heard(source="absent", clean_share=0.0, residual_dbc=0.0)
    cycles = float(np.sum(frames.f0_hz[tracked])) * frames.row_every_s + 4.0
    if cycles < _FEWEST_CYCLES:
        return Heard(source="absent", clean_share=0.0, residual_dbc=0.0)
    sounding = frames.level_dbfs > float(np.nanmax(frames.level_dbfs)) - _SOUNDING_DB
    residual = np.where(tracked, frames.residual_dbc, 0.0)
    residual = np.where(np.isfinite(residual), residual, 0.0)
    share = float(np.mean(residual[sounding] < CLEAN_DBC))
    usual = median(residual[sounding])
    rows = tone.rows
    own = frames.residual_dbc[rows]
    own = own[np.isfinite(own)]
    own_usual = quantile(own, 0.8) if len(own) else 0.0
    seconds = float(np.count_nonzero(own < CLEAN_DBC)) * frames.row_every_s
    length = max(len(frames), 1) * frames.row_every_s
    is_board = own_usual < _USUAL_DBC and (
        share > _TONE_SHARE or (seconds > _BOARD_S and seconds > _BOARD_SHARE * length)
    )
    source: Source = "oscillator" if is_board else "not-an-oscillator"
    return Heard(source=source, clean_share=share, residual_dbc=usual)
