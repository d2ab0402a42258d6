"""The tracker's result: one row a frame, and the envelope between the frames."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Doubles = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

ROW_EVERY_S = 0.020
"""Time from row to row, but in a take of more than an hour."""
HARMONIC_COLUMNS = 10
"""H2 to H10 have a column of their own; all the others are kept as complex amplitudes."""


_NONE: Doubles = np.empty(0)
"""Stands for a column without a value."""


def _none() -> Doubles:
    return _NONE


def _frozen_copy(array: NDArray[np.generic]) -> NDArray[np.generic]:
    """A read-only array of our own; one that is read-only and owns its data already serves as it is."""
    if array.base is None and not array.flags.writeable:
        return array
    copy = np.array(array)
    copy.flags.writeable = False
    return copy


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Envelope:
    """Level and pitch between the frames, a few hundred values a second.

    Attributes
    ----------
    time_s : ndarray, shape (m,)
        Centre of each short frame, seconds from the file's first sample.
    amplitude_fs : ndarray, shape (m,)
        Peak amplitude of the harmonic whose phase is followed (the fundamental, unless it is weak), full scale is 1.
    rms_amplitude_fs : ndarray, shape (m,)
        R.m.s. of all but the mean, times the square root of 2.
    f0_hz : ndarray, shape (m,)
        Pitch over the short frame; NaN where nothing oscillates.
    oscillating : ndarray of bool, shape (m,)
    """

    time_s: Doubles
    amplitude_fs: Doubles
    rms_amplitude_fs: Doubles
    f0_hz: Doubles
    oscillating: NDArray[np.bool_]

    def __post_init__(self) -> None:
        for column in fields(self):
            object.__setattr__(self, column.name, _frozen_copy(getattr(self, column.name)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhaseStep:
    """A jump of the tone's phase that no oscillator makes: samples are missing or repeated.

    Attributes
    ----------
    time_s : float
    cycles : float
        The jump, -0.5 to 0.5 of a cycle (whole cycles cannot be seen).
    missing_samples : float
        The same in samples, positive where samples are missing, within one period.
    """

    time_s: float
    cycles: float
    missing_samples: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frames:
    """What was measured, one row a frame of whole cycles.

    Empty is NaN. Levels: a full-scale sine is 0 dBFS (AES17); harmonics are relative to the
    fundamental (dBc). Rows in which nothing oscillates have ``oscillating`` False and NaN in all that follows from
    a pitch.

    Attributes
    ----------
    sample_rate_hz : float
        The rate used, corrected by the interface's clock error where that is known.
    time_s, f0_hz, f0_sigma_cents : ndarray, shape (n,)
        Centre of the frame (seconds from the file's first sample), pitch there, its standard deviation.
    oscillating : ndarray of bool, shape (n,)
    fundamental_dbfs, level_dbfs : ndarray, shape (n,)
        Level of H1 alone, and of all that is not DC.
    thd_percent, even_dbc, odd_dbc : ndarray, shape (n,)
        Of H2..H10, as many as fit below 0.45 of the sample rate, to the fundamental.
    harmonic_count : ndarray of int, shape (n,)
        How many of H1..H10 fit (and were counted in the THD).
    harmonics_dbc : ndarray, shape (n, 9)
        H2..H10.
    harmonic_phase_rad : ndarray, shape (n, 9)
        psi_k = arg(A_k) - k arg(A_1), k = 2..10, cosine phases, AC coupling undone where it is known.
    noise_dbfs : ndarray, shape (n,)
        What the harmonics leave, without hum lines.
    crest_positive, crest_negative : ndarray, shape (n,)
        Extremes of the mean cycle over the fundamental's amplitude, DC removed; 1 for a sine.
    flat_positive, flat_negative : ndarray, shape (n,)
        Part of the cycle above 98 % of that half's crest, over a sine's.
    slope_over_sine : ndarray, shape (n,)
        Steepest slope of the mean cycle over the fundamental's own.
    dead_band : ndarray, shape (n,)
        Half the width of the flat part at zero over the peak.
    rise_share, duty_share, reset_s, corner_s, glitch_share : ndarray, shape (n,)
        Part of the cycle that a triangle or a sawtooth rises, that a square or a pulse is high; a sawtooth's way back;
        the time constant that rounds corners; a spike's height over the wave's. Empty where no such wave was meant.
    dc_fs : ndarray, shape (n,)
    frame_s : ndarray, shape (n,)
        Length of each frame.
    segment : ndarray of int, shape (n,)
        Number of the segment of unbroken tone, -1 outside of one.
    subharmonic_dbc : ndarray, shape (n,)
        Lines at k/2 (k odd), r.s.s.
    half_orders_fs : ndarray of complex, shape (n, 3)
        Peak amplitude of the lines at 1/2, 3/2 and 5/2 of the pitch, their phases counted in the tone's own: they stand
        still where alternate cycles differ, and turn where a line only passes.
    spur_dbc, spur_hz : ndarray, shape (n,)
        Lines between the harmonics that stand ten times over the noise there, and their mean frequency.
    high_dbc, high_hz : ndarray, shape (n,)
        The harmonics above the tenth, r.s.s., and their mean frequency.
    residual_dbc : ndarray, shape (n,)
        R.m.s. of the residual (noise, hum and bursts together) to the fundamental.
    residual_peak_dbc, residual_peak_cycle : ndarray, shape (n,)
        The loudest sixteenth of the cycle in the residual, and its place: 0 the positive crest of the fundamental,
        0.5 the negative one.
    residual_fold : ndarray, shape (n, 2, 16)
        Power of the residual, and of its difference from sample to sample, in each sixteenth of the cycle; the first is
        centred on the positive crest of the fundamental.
    hum_time_s : ndarray, shape (h,)
    hum_dbfs : ndarray, shape (h, 12)
        Lines at 50, 100 .. 300 and 60, 120 .. 360 Hz in the residual, and the floor beside each line in
        ``hum_floor_dbfs``.
    envelope : Envelope
    phase_steps : tuple of PhaseStep
    """

    sample_rate_hz: float
    time_s: Doubles
    f0_hz: Doubles
    f0_sigma_cents: Doubles
    oscillating: NDArray[np.bool_]
    fundamental_dbfs: Doubles
    level_dbfs: Doubles
    thd_percent: Doubles
    even_dbc: Doubles
    odd_dbc: Doubles
    harmonic_count: NDArray[np.int64]
    harmonics_dbc: Doubles
    harmonic_phase_rad: Doubles
    noise_dbfs: Doubles
    crest_positive: Doubles
    crest_negative: Doubles
    flat_positive: Doubles
    flat_negative: Doubles
    slope_over_sine: Doubles
    dead_band: Doubles
    dc_fs: Doubles
    subharmonic_dbc: Doubles
    half_orders_fs: NDArray[np.complex64]
    residual_dbc: Doubles
    residual_peak_dbc: Doubles
    residual_peak_cycle: Doubles
    residual_fold: Doubles
    spur_dbc: Doubles
    spur_hz: Doubles
    high_dbc: Doubles
    high_hz: Doubles
    frame_s: Doubles
    segment: NDArray[np.int64]
    hum_time_s: Doubles
    hum_dbfs: Doubles
    hum_floor_dbfs: Doubles
    envelope: Envelope
    phase_steps: tuple[PhaseStep, ...]
    rise_share: Doubles = field(default_factory=_none)
    duty_share: Doubles = field(default_factory=_none)
    reset_s: Doubles = field(default_factory=_none)
    corner_s: Doubles = field(default_factory=_none)
    glitch_share: Doubles = field(default_factory=_none)

    def __post_init__(self) -> None:
        n = len(self.time_s)
        for column in fields(self):
            value = getattr(self, column.name)
            if value is _NONE:
                value = np.full(n, np.nan)
            if isinstance(value, np.ndarray):
                if len(value) != n and not column.name.startswith("hum_"):
                    raise ValueError(f"{column.name} has {len(value)} rows, time_s has {n}")
                object.__setattr__(self, column.name, _frozen_copy(value))

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def row_every_s(self) -> float:
        """Time from row to row: 20 ms, more in a take of more than an hour, of which not all rows are kept."""
        return round(float(self.time_s[1] - self.time_s[0]), 9) if len(self) > 1 else ROW_EVERY_S
