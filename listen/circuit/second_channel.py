"""Two outputs of one oscillator on two channels: their phase and level to each other along the pitch."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.circuit.smoothing import smoothed
from listen.circuit.types import ChannelPair, PairPoint, Quantity, Where
from listen.sorting import median

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_MOST_ROWS = 150
_MOST_CHANNELS = 8
_FEWEST = 6
_LEAST_DB = -30.0
"""Of the tone on the first channel: less is crosstalk of leads and inputs (common practice, no source)."""
_TOGETHER_DEG = 5.0
"""Rows that follow one another differ by less, of one oscillator; of two the phase runs through."""
_COPY_DEG, _COPY_DB = 0.02, 0.002
"""One channel recorded twice."""
_INTERFACE_DEG_PER_HZ, _INTERFACE_DB = 360.0 * 0.05e-6, 0.02
"""Channels of an interface are alike to a twentieth of a microsecond and to 0.02 dB (common practice, no source)."""


def channel_pair(capture: Any, account: Account) -> ChannelPair | None:
    """Compare the other channel's fundamental with that of the channel that was checked.

    Parameters
    ----------
    capture : Capture
        With ``channel`` and ``channels``.
    account : Account

    Returns
    -------
    ChannelPair or None
        None where no other channel holds the same oscillator.

    Notes
    -----
    Both channels are turned by the same phase over the same Hann window: what a moving pitch does to one amplitude it
    does to the other, and the ratio is free of it.
    """
    frames = account.frames
    rows = np.flatnonzero(account.judged & np.isfinite(frames.f0_hz) & np.isfinite(frames.frame_s))
    rows = rows[:: max(1, len(rows) // _MOST_ROWS)]
    count = min(getattr(capture, "channels", 1), _MOST_CHANNELS)
    if count < 2 or len(rows) < _FEWEST:
        return None
    first = _fundamentals(capture, account, rows)
    found = []
    for channel in range(1, count + 1):
        if channel != capture.channel:
            other = _fundamentals(replace(capture, channel=channel), account, rows)
            pair = _compared(channel, first, other, account, rows)
            found += [pair] if pair is not None else []
    return max(found, key=lambda pair: pair.level_db.value or 0.0, default=None)


def _fundamentals(capture: Any, account: Account, rows: NDArray[np.int64]) -> Complexes:
    """Complex amplitude of the fundamental in each row, by the same phase for all channels."""
    frames, rate = account.frames, capture.true_rate_hz
    out: Complexes = np.zeros(len(rows), dtype=complex)
    for i, row in enumerate(rows.tolist()):
        half = max(8, int(0.5 * frames.frame_s[row] * rate))
        middle = int(frames.time_s[row] * rate)
        start, stop = max(capture.start_sample, middle - half), min(capture.stop_sample, middle + half)
        x = np.asarray(capture.read(start, stop), dtype=float)
        window = np.hanning(len(x))
        turn = np.exp(-2j * np.pi * frames.f0_hz[row] * (np.arange(start, stop) - middle) / rate)
        out[i] = 2.0 * np.sum((x - x.mean()) * window * turn) / window.sum()
    return out


def _compared(
    channel: int, first: Complexes, other: Complexes, account: Account, rows: NDArray[np.int64]
) -> ChannelPair | None:
    if median(np.abs(other)) < median(np.abs(first)) * 10.0 ** (_LEAST_DB / 20.0) or not np.abs(other).all():
        return None
    ratio = other / first
    phase_deg = np.degrees(np.unwrap(np.angle(ratio)))
    level_db = 20.0 * np.log10(np.abs(ratio))
    if median(np.abs(np.diff(phase_deg))) > _TOGETHER_DEG or np.ptp(phase_deg) > 180.0:
        return None
    if float(np.max(np.abs(phase_deg))) < _COPY_DEG and float(np.max(np.abs(level_db))) < _COPY_DB:
        return None
    # of -180 .. 180 degrees
    phase_deg -= 360.0 * np.round(median(phase_deg) / 360.0)
    f0_hz, time_s = account.frames.f0_hz[rows], account.frames.time_s[rows]
    where = Where(
        start_s=float(time_s[0]), end_s=float(time_s[-1]), f0_low_hz=float(f0_hz.min()), f0_high_hz=float(f0_hz.max())
    )
    phase, level = smoothed(phase_deg), smoothed(level_db)
    own_deg = np.hypot(phase.sigma, _INTERFACE_DEG_PER_HZ * f0_hz)
    along = tuple(
        PairPoint(time_s=t, f0_hz=f, phase_deg=p, level_db=v, sigma_deg=s)
        for t, f, p, v, s in zip(
            time_s.tolist(), f0_hz.tolist(), phase.values.tolist(), level.values.tolist(), own_deg.tolist(), strict=True
        )
    )
    level_sigma = float(np.hypot(median(level.sigma), _INTERFACE_DB))
    return ChannelPair(
        channel=channel,
        phase_deg=Quantity(value=median(phase.values), sigma=median(own_deg), where=where, source="channels"),
        level_db=Quantity(value=median(level.values), sigma=level_sigma, where=where, source="channels"),
        phase_spread_deg=phase.span,
        level_spread_db=level.span,
        along=along,
    )
