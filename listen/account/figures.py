"""Which rows the figures that a person reads come from."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.types import Account
from listen.sorting import quantile_of_known
from listen.track import Frames

Flags = NDArray[np.bool_]
Floats = NDArray[np.floating[Any]]

_FEWEST = 5
"""Rows of 20 ms: of a tenth of a second a percentile is one row's, and all of the tone is told instead."""


def figure_rows(account: Account) -> Flags:
    """Rows from which level and distortion are reported: those that are judged, else all that oscillate."""
    frames = account.recorded
    if not account.is_oscillator:
        return frames.oscillating
    n = min(len(frames), len(account.judged))
    rows = np.zeros(len(frames), dtype=bool)
    rows[:n] = account.judged[:n] & frames.oscillating[:n]
    if np.count_nonzero(rows) > _FEWEST:
        return rows
    assert account.tone is not None
    rows[:n] = account.tone.rows[:n] & frames.oscillating[:n]
    return rows if rows.any() else frames.oscillating


def worst_distortion_row(account: Account) -> int | None:
    """Row whose distortion 99 of 100 stay below."""
    rows = np.flatnonzero(figure_rows(account))
    thd = account.recorded.thd_percent[rows]
    if not np.isfinite(thd).any():
        return None
    worst = quantile_of_known(thd, 0.99)
    return int(rows[int(np.nanargmin(np.abs(thd - worst)))])


def with_dead_band(frames: Frames, account: Account) -> Frames:
    """Return the frames with the dead band that was fitted, at each row's pitch; empty where no sine was meant."""
    shape = account.shape
    if shape is None or shape.sizes is None or account.tone is None or len(account.tone.rows) != len(frames):
        return frames
    rows = account.tone.rows & frames.oscillating
    band = np.where(rows, shape.sizes.at(shape.sizes.dead, np.where(rows, frames.f0_hz, 1.0)), np.nan)
    return replace(frames, dead_band=band)


def with_wave_shape(frames: Frames, account: Account) -> Frames:
    """Return the frames with the shape of a wave of slopes and edges, row by row; the same of any other wave."""
    shape = account.wave_shape
    if shape is None or len(account.frames) != len(frames):
        return frames
    rows = shape.rows
    return replace(
        frames,
        rise_share=rows["rise"],
        duty_share=rows["duty"],
        reset_s=rows["reset_s"],
        corner_s=rows["corner_s"],
        glitch_share=rows["spike"],
    )
