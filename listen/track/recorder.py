"""The recorder taken off the rows: coupling and response in levels, and its own harmonics at each level."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from listen.bench import RecorderSettings
from listen.track.types import HARMONIC_COLUMNS, Doubles, Envelope, Flags, Floats, Frames

_ORDERS = np.arange(2, HARMONIC_COLUMNS + 1)
NEAR_DB = 6.0
"""A harmonic within so much of the recorder's own may be half the recorder's."""


def without_recorder_response(frames: Frames, recorder: RecorderSettings | None, coupling_hz: float | None) -> Frames:
    """Return the rows with levels as at the jack.

    Parameters
    ----------
    frames : Frames
        Harmonics with the coupling undone, levels as recorded.
    recorder : RecorderSettings or None
        Its response is undone in the levels of the tone, its harmonics and the envelope.
    coupling_hz : float or None
        The high-pass that is undone in the level of the whole tone: that of the fundamental, nearly all of it.

    Returns
    -------
    Frames
    """
    if coupling_hz:
        envelope_db = 10.0 * np.log10(1.0 + (coupling_hz / frames.envelope.f0_hz) ** 2)
        frames = replace(
            frames,
            level_dbfs=frames.level_dbfs + coupling_db(frames.f0_hz, frames.oscillating, coupling_hz),
            envelope=_raised(frames.envelope, envelope_db),
        )
    if recorder is None or not recorder.response_hz or not any(recorder.response_db):
        return frames
    return _without_response(frames, recorder)


def coupling_db(f0_hz: Doubles, oscillating: Flags, coupling_hz: float) -> Doubles:
    """Return by how much a first-order high-pass lowers each row's tone; 0 where there is none."""
    return np.asarray(np.where(oscillating, 10.0 * np.log10(1.0 + (coupling_hz / f0_hz) ** 2), 0.0))


def _without_response(frames: Frames, recorder: RecorderSettings) -> Frames:
    tone_db = _response_db(recorder, frames.f0_hz)
    harmonics = frames.harmonics_dbc - _response_db(recorder, frames.f0_hz[:, None] * _ORDERS) + tone_db[:, None]
    changed = _sums(frames, harmonics)
    with np.errstate(invalid="ignore"):
        changed["high_dbc"] = frames.high_dbc - _response_db(recorder, frames.high_hz) + tone_db
        changed["spur_dbc"] = frames.spur_dbc - _response_db(recorder, frames.spur_hz) + tone_db
    return replace(
        frames,
        fundamental_dbfs=frames.fundamental_dbfs - tone_db,
        level_dbfs=frames.level_dbfs - np.where(frames.oscillating, tone_db, 0.0),
        envelope=_raised(frames.envelope, -_response_db(recorder, frames.envelope.f0_hz)),
        **changed,
    )


def _sums(frames: Frames, harmonics_dbc: Floats) -> dict[str, Any]:
    """Harmonics, and what is summed over them; NaN where a sum had no term, or has none left."""
    squares = 10.0 ** (harmonics_dbc / 10.0)
    known = np.isfinite(harmonics_dbc)

    def total(columns: slice, before: Doubles) -> Doubles:
        power = np.nansum(squares[:, columns], axis=1)
        return np.where(np.isfinite(before) & known[:, columns].any(axis=1), power, np.nan)

    with np.errstate(divide="ignore"):
        return {
            "harmonics_dbc": harmonics_dbc,
            "thd_percent": 100.0 * np.sqrt(total(slice(None), frames.thd_percent)),
            "even_dbc": 10.0 * np.log10(total(slice(0, None, 2), frames.even_dbc)),
            "odd_dbc": 10.0 * np.log10(total(slice(1, None, 2), frames.odd_dbc)),
        }


def _response_db(recorder: RecorderSettings, f0_hz: Floats) -> Doubles:
    """Response at some pitches, by monotone cubics in the logarithm; 0 where there is no pitch, held at the ends.

    Straight lines between pitches a quarter of an octave apart miss a first-order roll-off by 0.05 dB at its corner.
    """
    from scipy.interpolate import PchipInterpolator  # 0.2 s to import, and few have a recorder that is not flat

    measured_hz = np.array(recorder.response_hz)
    if len(measured_hz) < 2:
        return np.full(f0_hz.shape, recorder.response_db[0])
    known = np.isfinite(f0_hz) & (f0_hz > 0.0)
    inside = np.clip(np.where(known, f0_hz, measured_hz[0]), measured_hz[0], measured_hz[-1])
    db = PchipInterpolator(np.log(measured_hz), recorder.response_db)(np.log(inside))
    return np.asarray(np.where(known, db, 0.0))


def _raised(envelope: Envelope, gain_db: Doubles) -> Envelope:
    factor = np.where(envelope.oscillating & np.isfinite(gain_db), 10.0 ** (gain_db / 20.0), 1.0)
    return replace(
        envelope,
        amplitude_fs=(envelope.amplitude_fs * factor).astype(envelope.amplitude_fs.dtype),
        rms_amplitude_fs=(envelope.rms_amplitude_fs * factor).astype(envelope.rms_amplitude_fs.dtype),
    )


def own_harmonics_dbc(recorder: RecorderSettings | None, level_dbfs: Floats) -> Doubles:
    """Return the recorder's own harmonics at some levels of the tone.

    Parameters
    ----------
    recorder : RecorderSettings or None
    level_dbfs : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n, 9)
        H2 .. H10 in dBc; NaN where it was not measured.

    Notes
    -----
    Straight between the levels that were measured. Below the lowest its value holds, because there it is noise or a
    converter's steps; above the highest the last slope goes on: a weak curve's H2 grows by 1 dB a dB, its H3 by 2.
    """
    out = np.full((len(level_dbfs), HARMONIC_COLUMNS - 1), np.nan)
    if recorder is None or not recorder.level_dbfs:
        return out
    levels = np.array(recorder.level_dbfs)
    for k, own in recorder.harmonics_dbc.items():
        values = np.interp(level_dbfs, levels, own)
        if len(levels) > 1:
            slope = max(0.0, (own[-1] - own[-2]) / (levels[-1] - levels[-2]))
            values = values + slope * np.maximum(level_dbfs - levels[-1], 0.0)
        out[:, k - 2] = values
    return out


def hidden_by_recorder(
    frames: Frames, recorder: RecorderSettings | None
) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Return which harmonics of each row are not told from the recorder's own: those within 6 dB of them, or below."""
    own = own_harmonics_dbc(recorder, frames.fundamental_dbfs)
    with np.errstate(invalid="ignore"):
        return np.asarray(frames.harmonics_dbc < own + NEAR_DB)


def without_hidden_harmonics(frames: Frames, recorder: RecorderSettings | None) -> Frames:
    """Return the rows with the harmonics that may be the recorder's empty, and distortion of the others alone.

    Parameters
    ----------
    frames : Frames
    recorder : RecorderSettings or None

    Returns
    -------
    Frames
    """
    hidden = hidden_by_recorder(frames, recorder)
    if not hidden.any():
        return frames
    harmonics = np.where(hidden, np.nan, frames.harmonics_dbc)
    phases = np.where(hidden, np.nan, frames.harmonic_phase_rad)
    return replace(frames, harmonic_phase_rad=phases, **_sums(frames, harmonics))
