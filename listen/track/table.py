"""Rows of all parts put together: levels in decibels, the curvature of the pitch undone, the envelope joined."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from listen.track.hum import block_samples, hum_lines
from listen.track.lines import BAND
from listen.track.part import FOLD, Part, Rows
from listen.track.phase import PhaseCurve
from listen.track.stretches import Stretch
from listen.track.types import HARMONIC_COLUMNS, Envelope, Floats, Frames

_CURVATURE = 0.5 * (1.0 / 12.0 - 1.0 / (2.0 * np.pi**2))
"""Half the mean of v^2 under the frame's weight: what a parabola in the pitch adds to its mean."""
_ABOVE_NOISE = 2.0
"""A row holds a tone where its lines have this many times the power of the noise between them."""
_STEP_S = 0.012
_CLEAN = 5.0
"""... and its power is this many times what its harmonics leave: a frame across a step of the control is no measure."""
_BELOW_LOUDEST_DB = 62.0


def _db(power: Floats) -> Floats:
    """Decibels of a power, a full-scale sine being 0 dB for a mean square of 1/2."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return 10.0 * np.log10(power)


def frames_of(
    parts: list[Part], stretches: list[Stretch], rate_hz: float, first: int, last: int, hop_s: float
) -> Frames:
    """Join the parts of a capture into its table of frames.

    Parameters
    ----------
    parts : list of Part
        In order of time.
    stretches : list of Stretch
    rate_hz : float
    first, last : int
        Span of samples looked at.
    hop_s : float
    """
    hop = hop_s * rate_hz
    start_row = int(np.ceil(first / hop))
    n = max(0, int(np.ceil(last / hop)) - start_row)
    rows = [r for part in parts for r in part.rows]
    table = _gathered(rows, n, start_row)
    table["centred"] &= ~_at_steps(stretches, (start_row + np.arange(n)) * hop_s, rate_hz)
    quiet = np.concatenate([part.quiet_power for part in parts])[:n] if parts else np.empty(0)
    table["f0"] = _straightened(table, hop_s)
    envelope = _envelope([item for part in parts for item in part.knots], stretches, quiet, start_row, hop_s, rate_hz)
    low = np.concatenate([part.low for part in parts]) if parts else np.empty(0)
    hum_time, hum, floor = hum_lines(low, rate_hz / block_samples(rate_hz), first / rate_hz)
    columns = _levels(table, quiet, rate_hz)
    return Frames(
        sample_rate_hz=rate_hz,
        time_s=(start_row + np.arange(n)) * hop_s,
        hum_time_s=hum_time,
        hum_dbfs=hum,
        hum_floor_dbfs=floor,
        envelope=envelope,
        phase_steps=tuple(step for part in parts for step in part.steps),
        **columns,
    )


def _gathered(rows: list[Rows], n: int, start_row: int) -> dict[str, NDArray[np.generic]]:
    """Rows of all stretches in one table; a row that no stretch covers is NaN."""
    table: dict[str, NDArray[np.generic]] = {
        "f0": np.full(n, np.nan),
        "sigma": np.full(n, np.nan),
        "frame_s": np.full(n, np.nan),
        "power": np.full(n, np.nan),
        "harmonics": np.full((n, HARMONIC_COLUMNS), np.nan, dtype=complex),
        "count": np.zeros(n, dtype=np.int64),
        "noise": np.full(n, np.nan),
        "half": np.full(n, np.nan),
        "half_noise": np.full(n, np.nan),
        "spur": np.full(n, np.nan),
        "spur_order": np.full(n, np.nan),
        "high": np.full(n, np.nan),
        "high_order": np.full(n, np.nan),
        "dc": np.full(n, np.nan),
        "shape": np.full((n, 5), np.nan),
        "fold": np.full((n, 2, FOLD), np.nan),
        "stretch": np.full(n, -1, dtype=np.int64),
        "centred": np.zeros(n, dtype=bool),
    }
    for r in rows:
        at = r.row - start_row
        inside = (at >= 0) & (at < n)
        at = at[inside]
        for name, value in (
            ("f0", r.f0_hz), ("sigma", r.f0_sigma_hz), ("frame_s", r.frame_s), ("power", r.power),
            ("harmonics", r.harmonics), ("count", r.count), ("noise", r.noise_power), ("half", r.half_power),
            ("half_noise", r.half_noise), ("spur", r.spur_power), ("spur_order", r.spur_order), ("dc", r.dc_fs),
            ("shape", r.shape), ("fold", r.residual_fold), ("centred", r.centred),
            ("high", r.high_power), ("high_order", r.high_order),
        ):  # fmt: skip
            table[name][at] = value[inside]
        table["stretch"][at] = r.stretch
    table["noise"] = _filled(table["noise"], table["stretch"])
    return table


def _at_steps(stretches: list[Stretch], time_s: Floats, rate_hz: float) -> NDArray[np.bool_]:
    """Rows on a step from one pitch to another: neither of the two."""
    near = np.zeros(len(time_s), dtype=bool)
    for before, after in itertools.pairwise(stretches):
        if after.start - before.stop < 2.0:
            reach = max(_STEP_S, 1.0 / min(before.f0_hz[-1], after.f0_hz[0]))
            near |= np.abs(time_s - after.start / rate_hz) < reach
    return near


def _filled(noise: Floats, stretch: NDArray[np.int64]) -> Floats:
    """Rows too short to show the noise between their lines take that of their neighbours."""
    known = np.isfinite(noise)
    if not known.any():
        return noise
    index = np.arange(len(noise))
    filled = np.interp(index, index[known], noise[known])
    return np.where(known | (stretch < 0), noise, filled)


def _straightened(table: dict[str, NDArray[np.generic]], hop_s: float) -> Floats:
    """Pitch at the frames' centres: its mean over a frame less what its curvature over phase adds."""
    f0 = table["f0"].astype(float)
    out = f0.copy()
    n = len(f0)
    span = table["frame_s"].astype(float)
    stretch = table["stretch"]
    stride = np.where(np.isfinite(span), np.maximum(1, np.round(0.5 * span / hop_s)), 1).astype(np.int64)
    index = np.arange(n)
    left, right = index - stride, index + stride
    fits = (left >= 0) & (right < n)
    left, right = np.clip(left, 0, max(0, n - 1)), np.clip(right, 0, max(0, n - 1))
    fits &= (stretch >= 0) & (stretch[left] == stretch) & (stretch[right] == stretch)
    with np.errstate(invalid="ignore"):
        fits &= (np.abs(span[left] - span) < 0.3 * span) & (np.abs(span[right] - span) < 0.3 * span)
        # second derivative over phase: time steps are nearly equal steps of phase, the rest is the first derivative's
        ratio = span / (stride * hop_s)
        bend = f0[left] + f0[right] - 2 * f0
        slope = 0.5 * (f0[right] - f0[left])
        second = bend - slope**2 / f0
        fits &= np.abs(second) < 0.01 * f0
    out[fits] = (f0 - _CURVATURE * ratio**2 * second)[fits]
    return out


def _levels(table: dict[str, NDArray[np.generic]], quiet: Floats, rate_hz: float) -> dict[str, NDArray[np.generic]]:
    f0 = table["f0"]
    harmonics = table["harmonics"]
    noise = table["noise"]
    first = np.abs(harmonics[:, 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        lines = 0.5 * np.nansum(np.abs(harmonics) ** 2, axis=1)
        loudest = float(np.nanmax(lines, initial=0.0))
        residual = table["fold"][:, 0, :].mean(axis=1)
        tone = np.isfinite(f0) & (lines > _ABOVE_NOISE * np.nan_to_num(noise))
        tone &= table["centred"].astype(bool) & (table["power"] > _CLEAN * residual)
        tone &= lines > loudest * 10 ** (-0.1 * _BELOW_LOUDEST_DB)
        relative = np.abs(harmonics[:, 1:]) / first[:, None]
        turns = np.angle(harmonics[:, 1:] * np.exp(-1j * np.angle(harmonics[:, :1]) * np.arange(2, HARMONIC_COLUMNS + 1)))
        squares = relative**2
        even = np.where(table["count"] >= 2, np.nansum(squares[:, 0::2], axis=1), np.nan)
        odd = np.where(table["count"] >= 3, np.nansum(squares[:, 1::2], axis=1), np.nan)
        thd = np.where(table["count"] >= 2, 100.0 * np.sqrt(np.nansum(squares, axis=1)), np.nan)
        sigma = 1200.0 / np.log(2.0) * table["sigma"] * np.sqrt(noise) / f0
        level = np.where(tone, table["power"], quiet)
        high_lines = np.maximum(np.floor(BAND / f0 * rate_hz) - HARMONIC_COLUMNS, 0.0)
        high_noise = high_lines * 3.0 * noise / (table["frame_s"] * rate_hz)
        high = np.where(table["high"] > 3.0 * high_noise, table["high"] - high_noise, 0.0)
        half = np.maximum(table["half"], 0.1 * table["half_noise"])
        columns = {
            "f0_hz": f0,
            "f0_sigma_cents": sigma,
            "fundamental_dbfs": 20 * np.log10(first),
            "thd_percent": thd,
            "even_dbc": _db(even),
            "odd_dbc": _db(odd),
            "harmonics_dbc": 20 * np.log10(relative),
            "harmonic_phase_rad": turns,
            "noise_dbfs": _db(2 * noise),
            "crest_positive": table["shape"][:, 0],
            "crest_negative": table["shape"][:, 1],
            "flat_positive": table["shape"][:, 2],
            "flat_negative": table["shape"][:, 3],
            "slope_over_sine": table["shape"][:, 4],
            "dc_fs": table["dc"],
            "subharmonic_dbc": _db(half / (0.5 * first**2)),
            "residual_dbc": _db(residual / (0.5 * first**2)),
            "residual_peak_dbc": _db(table["fold"][:, 0, :].max(axis=1) / (0.5 * first**2)),
            "residual_peak_cycle": np.argmax(np.nan_to_num(table["fold"][:, 0, :]), axis=1) / FOLD,
            "spur_dbc": _db(table["spur"] / (0.5 * first**2)),
            "spur_hz": table["spur_order"] * f0,
            "high_dbc": _db(high / (0.5 * first**2)),
            "high_hz": table["high_order"] * f0,
            "residual_fold": table["fold"],
            "frame_s": table["frame_s"],
        }
        level_dbfs = _db(2 * level)
    for name, value in columns.items():
        columns[name] = np.where(tone.reshape((-1,) + (1,) * (value.ndim - 1)), value, np.nan)
    columns["level_dbfs"] = level_dbfs
    columns["noise_dbfs"] = np.where(tone, columns["noise_dbfs"], level_dbfs)
    columns["oscillating"] = tone
    columns["harmonic_count"] = np.where(tone, table["count"], 0)
    columns["stretch"] = np.where(tone, table["stretch"], -1)
    columns["dead_band"] = np.full(len(f0), np.nan)
    return columns


def _envelope(
    knots: list[tuple[int, PhaseCurve, NDArray[np.bool_]]],
    stretches: list[Stretch],
    quiet: Floats,
    start_row: int,
    hop_s: float,
    rate_hz: float,
) -> Envelope:
    """Short frames of the tone; where there is none, the r.m.s. of what there is, a row at a time."""
    times, amplitudes, pitches, flags, powers = [], [], [], [], []
    covered = np.zeros(len(quiet), dtype=bool)
    row_times = (start_row + np.arange(len(quiet))) * hop_s
    for stretch in stretches:
        covered |= (row_times > stretch.start / rate_hz - hop_s) & (row_times < stretch.stop / rate_hz + hop_s)
    for _, curve, inside in knots:
        times.append(curve.samples[inside] / rate_hz)
        amplitudes.append(curve.amplitude_fs[inside])
        pitches.append(curve.raw_slopes[inside] * rate_hz)
        powers.append(np.sqrt(2 * curve.power[inside]))
        flags.append(np.ones(int(inside.sum()), dtype=bool))
    silent = ~covered
    times.append(row_times[silent])
    amplitudes.append(np.sqrt(2 * quiet[silent]))
    powers.append(amplitudes[-1])
    pitches.append(np.full(int(silent.sum()), np.nan))
    flags.append(np.zeros(int(silent.sum()), dtype=bool))
    time = np.concatenate(times)
    order = np.argsort(time, kind="stable")
    return Envelope(
        time_s=time[order],
        amplitude_fs=np.concatenate(amplitudes)[order],
        rms_amplitude_fs=np.concatenate(powers)[order],
        f0_hz=np.concatenate(pitches)[order],
        oscillating=np.concatenate(flags)[order],
    )
