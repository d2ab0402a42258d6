"""Columns of a capture's frames from the rows of its chunks: pitch, harmonics, shape and residual in decibels."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.track.lines import BAND
from listen.track.pitch_estimate import LOWEST_HZ
from listen.track.residual import PHASE_BINS
from listen.track.segments import BELOW_LOUDEST_DB
from listen.track.types import HARMONIC_COLUMNS, Floats

Column = NDArray[Any]
_ABOVE_NOISE = 2.0
"""Ratio of the lines' power to the interharmonic noise from which a row has a tone."""
_CLEAN = 5.0
"""Least ratio of power to residual: a frame across a step of the control does not measure a tone."""


def _db(power: Floats) -> Floats:
    """Level in dBFS of a mean square; a full-scale sine, 1/2, is 0 dB."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return 10.0 * np.log10(power)


def level_columns(table: dict[str, Column], quiet: Floats, rate_hz: float) -> dict[str, Column]:
    """Columns of `Frames` in decibels and per cent; NaN where there is no tone."""
    first = np.abs(table["harmonics"][:, 0])
    tone_power = 0.5 * first**2
    with np.errstate(divide="ignore", invalid="ignore"):
        residual = table["fold"][:, 0, :].mean(axis=1)
        tone = _has_tone(table, residual)
        columns = _harmonic_columns(table, first)
        columns |= _shape_columns(table)
        columns |= _residual_columns(table, residual, tone_power)
        columns |= _spur_columns(table, tone_power, rate_hz)
        level_dbfs = _db(2 * np.where(tone, table["power"], quiet))
    silent = ~tone
    for name, value in columns.items():
        if value.base is not None or not value.flags.writeable or value is table.get(name):
            columns[name] = value = value.copy()
        value[silent] = np.nan
    columns["level_dbfs"] = level_dbfs
    columns["noise_dbfs"] = np.where(tone, columns["noise_dbfs"], level_dbfs)
    columns["oscillating"] = tone
    columns["harmonic_count"] = np.where(tone, table["count"], 0)
    columns["segment"] = np.where(tone, table["segment"], -1)
    columns["dead_band"] = np.full(len(first), np.nan)
    return columns


def newest_columns(table: dict[str, Column], quiet: Floats) -> dict[str, Column]:
    """Columns of `NewestRows`, as `level_columns` has them."""
    size = np.abs(table["harmonics"])
    first = size[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        tone = _has_tone(table, table["fold"][:, 0, :].mean(axis=1))
        columns = _shown_columns(table, size[:, 1:] / first[:, None])
        level_dbfs = _db(2 * np.where(tone, table["power"], quiet))
    columns |= {name: table["shape"][:, i] for i, name in enumerate(("crest_positive", "crest_negative"))}
    silent = ~tone
    for value in columns.values():
        value[silent] = np.nan
    return columns | {"level_dbfs": level_dbfs, "oscillating": tone}


def _has_tone(table: dict[str, Column], residual: Floats) -> NDArray[np.bool_]:
    """Rows of a tone well above the noise, the residual and the leakage of the loudest row."""
    lines = 0.5 * np.nansum(np.abs(table["harmonics"]) ** 2, axis=1)
    # a frame with an erratic pitch can come out below the search range, even negative, and its lines beyond all bounds
    tone: NDArray[np.bool_] = (table["f0"] > 0.5 * LOWEST_HZ) & (lines > _ABOVE_NOISE * np.nan_to_num(table["noise"]))
    tone &= table["centred"].astype(bool) & (table["power"] > _CLEAN * residual)
    loudest = float(lines[tone].max(initial=0.0))
    tone &= lines > loudest * 10 ** (-0.1 * BELOW_LOUDEST_DB)
    return tone


def _harmonic_columns(table: dict[str, Column], first: Floats) -> dict[str, Column]:
    """Pitch and harmonics, relative to the fundamental whose amplitude is ``first``."""
    harmonics, count = table["harmonics"], table["count"]
    relative = np.abs(harmonics[:, 1:]) / first[:, None]
    turned: NDArray[np.complex128] = harmonics[:, 1:] * _conjugate_powers(harmonics[:, 0] / first)
    squares = relative**2
    even = np.where(count >= 2, np.nansum(squares[:, 0::2], axis=1), np.nan)
    odd = np.where(count >= 3, np.nansum(squares[:, 1::2], axis=1), np.nan)
    return {
        **_shown_columns(table, relative),
        "frame_s": table["frame_s"],
        "fundamental_dbfs": 20 * np.log10(first),
        "even_dbc": _db(even),
        "odd_dbc": _db(odd),
        "harmonic_phase_rad": np.angle(turned),
    }


def _shown_columns(table: dict[str, Column], relative: Floats) -> dict[str, Column]:
    """Pitch, its standard deviation, and distortion from the harmonics over the fundamental."""
    f0 = table["f0"]
    distortion = 100.0 * np.sqrt(np.nansum(relative**2, axis=1))
    return {
        "f0_hz": f0,
        "f0_sigma_cents": 1200.0 / np.log(2.0) * table["sigma"] * np.sqrt(table["noise"]) / f0,
        "thd_percent": np.where(table["count"] >= 2, distortion, np.nan),
        "harmonics_dbc": 20 * np.log10(relative),
    }


def _shape_columns(table: dict[str, Column]) -> dict[str, Column]:
    """Figures of the mean cycle, by their names."""
    names = ("crest_positive", "crest_negative", "flat_positive", "flat_negative", "slope_over_sine")
    return {name: table["shape"][:, i] for i, name in enumerate(names)} | {"dc_fs": table["dc"]}


def _residual_columns(table: dict[str, Column], residual: Floats, tone_power: Floats) -> dict[str, Column]:
    """What is not harmonic: noise, half orders, and the residual along the cycle."""
    along_cycle = table["fold"][:, 0, :]
    half = np.maximum(table["half"], 0.1 * table["half_noise"])
    return {
        "noise_dbfs": _db(2 * table["noise"]),
        "subharmonic_dbc": _db(half / tone_power),
        "residual_dbc": _db(residual / tone_power),
        "residual_peak_dbc": _db(along_cycle.max(axis=1) / tone_power),
        "residual_peak_cycle": np.argmax(np.nan_to_num(along_cycle), axis=1) / PHASE_BINS,
        "residual_fold": table["fold"],
        "half_orders_fs": table["half_orders"],
    }


def _spur_columns(table: dict[str, Column], tone_power: Floats, rate_hz: float) -> dict[str, Column]:
    """The strongest line beside the harmonics, and what is above the highest harmonic that is measured."""
    f0, noise = table["f0"], table["noise"]
    high_lines = np.maximum(np.floor(BAND / f0 * rate_hz) - HARMONIC_COLUMNS, 0.0)
    high_noise = high_lines * 3.0 * noise / (table["frame_s"] * rate_hz)
    high = np.where(table["high"] > 3.0 * high_noise, table["high"] - high_noise, 0.0)
    return {
        "spur_dbc": _db(table["spur"] / tone_power),
        "spur_hz": table["spur_order"] * f0,
        "high_dbc": _db(high / tone_power),
        "high_hz": table["high_order"] * f0,
    }


def _conjugate_powers(turn: Column) -> NDArray[np.complex128]:
    """Powers 2, 3, .. of the conjugates of unit phasors, which remove a time shift from the harmonics."""
    back = np.empty((len(turn), HARMONIC_COLUMNS - 1), dtype=complex)
    step = turn.conj()
    np.multiply(step, step, out=back[:, 0])
    for k in range(1, HARMONIC_COLUMNS - 1):
        np.multiply(back[:, k - 1], step, out=back[:, k])
    return back
