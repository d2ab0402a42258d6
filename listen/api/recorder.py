"""The recorder by itself, for ``listen setup --loopback``: measured, and written for the bench file."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from listen.api.arguments import FilePath
from listen.bench import RecorderSettings, load_bench
from listen.calibration.loopback_read import ORDERS, Loopback, read_loopback
from listen.capture import Capture
from listen.errors import OptionError
from listen.report.bench_text import Value
from listen.track.recorder import own_harmonics_dbc

_SAME_DB: Mapping[str, float] = {"harmonics": 3.0, "floor_dbfs": 3.0, "response_db": 0.05}
"""By how much two measurements of one recorder may differ: noise moves a harmonic just above it by 3 dB, a knob that
was set again by hand nothing of the response."""
_SAME_CORNER = 0.1
_QUIET_DBC = -80.0
"""Harmonics under a ten-thousandth of the tone may differ by any amount."""
_CLOCKS_ALIKE_PPM = 0.2
"""A marker is placed to a hundredth of a sample; over half a minute that is 0.01 ppm, with noise ten times as much."""


def recorder_from(capture: Capture, samples: np.ndarray[Any, Any]) -> Loopback:
    """Measure the recorder from a take of the loopback stimulus."""
    return read_loopback(samples, capture.sample_rate_hz, capture.path)


def recorder_keys(found: Loopback) -> tuple[dict[str, Value], dict[str, str]]:
    """Return the keys of ``[recorder]``, and the remarks beside some of them."""
    values: dict[str, Value] = {"level_dbfs": tuple(round(own.level_dbfs, 2) for own in found.distortion)}
    for i, k in enumerate(ORDERS):
        if all(len(own.harmonics_dbc) > i for own in found.distortion):
            values[f"h{k}_dbc"] = tuple(round(own.harmonics_dbc[i], 1) for own in found.distortion)
    values["floor_dbfs"] = round(found.floor.floor_dbfs, 2)
    if found.floor.hum_hz is not None and found.floor.hum_dbfs is not None:
        values["hum_hz"], values["hum_dbfs"] = found.floor.hum_hz, round(found.floor.hum_dbfs, 1)
    values["corner_hz"] = round(found.corner_hz, 2)
    values["response_hz"] = found.response_hz
    values["response_db"] = tuple(round(db, 3) + 0.0 for db in found.response_db)
    if found.inverted is not None:
        values["loop_inverted"] = found.inverted
    notes = {
        "level_dbfs": "of 997 Hz, as recorded; the harmonics below are the recorder's own",
        "corner_hz": "output and input together",
    }
    return values, notes


def same_recorder(path: FilePath, found: Loopback) -> None:
    """Refuse to overwrite another recorder: every page so far was read with that one.

    Raises
    ------
    OptionError
        The bench file holds a table [recorder] that differs by more than two measurements of one recorder do.
    """
    if not Path(path).exists():
        return
    held = load_bench(path).capture.recorder
    what = None if held is None else _difference(held, found)
    if what is not None:
        raise OptionError(
            f"--loopback: {what}, otherwise than in the [recorder] of {os.fspath(path)}",
            "was it another input or gain? if this take is the right one, add --replace",
        )


def _difference(held: RecorderSettings, found: Loopback) -> str | None:
    """Name the first thing that differs."""
    if held.loop_inverted is not None and found.inverted is not None and held.loop_inverted != found.inverted:
        return f"the loop {'inverts' if found.inverted else 'does not invert'}"
    if held.corner_hz is not None and abs(held.corner_hz - found.corner_hz) > max(
        _SAME_CORNER * held.corner_hz, 0.2, 3.0 * found.corner_sigma_hz
    ):
        return f"the corner is {found.corner_hz:.2f} Hz, not {held.corner_hz:.2f}"
    if held.floor_dbfs is not None and abs(held.floor_dbfs - found.floor.floor_dbfs) > _SAME_DB["floor_dbfs"]:
        return f"the floor is {found.floor.floor_dbfs:.1f} dBFS, not {held.floor_dbfs:.1f}"
    there = dict(zip(held.response_hz, held.response_db, strict=True))
    for f0_hz, db in zip(found.response_hz, found.response_db, strict=True):
        if abs(there.get(f0_hz, db) - db) > _SAME_DB["response_db"]:
            return f"the response at {f0_hz:g} Hz is {db:+.2f} dB, not {there[f0_hz]:+.2f}"
    return _other_harmonic(held, found)


def _other_harmonic(held: RecorderSettings, found: Loopback) -> str | None:
    for own in found.distortion:
        before = own_harmonics_dbc(held, np.array([own.level_dbfs]))[0]
        for k, db, detected in zip(ORDERS, own.harmonics_dbc, own.detected, strict=False):
            was = float(before[k - 2])
            if detected and np.isfinite(was) and max(db, was) > _QUIET_DBC and abs(db - was) > _SAME_DB["harmonics"]:
                return f"H{k} at {own.level_dbfs:.1f} dBFS is {db:.1f} dBc, not {was:.1f}"
    return None


def recorder_remarks(found: Loopback) -> tuple[str, ...]:
    """What to mind about the measurement."""
    out = [
        "Output and input are measured together: what is found is the most that the input alone may do, and which of "
        "the two inverts or couples stays open. A cell (--cell) tells the input's polarity and corner.",
    ]
    if found.clipped:
        out.append(
            f"{found.clipped} of the level tones clip{'s' if found.clipped == 1 else ''} the input and "
            f"{'was' if found.clipped == 1 else 'were'} left out: it was played too loud."
        )
    if abs(found.clocks_apart_ppm) > _CLOCKS_ALIKE_PPM:
        out.append(
            f"It was played by another clock than the recorder's, {abs(found.clocks_apart_ppm):.1f} ppm "
            f"{'faster' if found.clocks_apart_ppm > 0 else 'slower'}: the distortion of that player is in it."
        )
    if found.inverted is None:
        out.append("The pulses at its end cannot be told, and with them the polarity of the loop.")
    worst = max(found.response_sigma_db)
    if worst > 0.02:
        out.append(f"Noise leaves the response open by {worst:.2f} dB: play it louder, or lower the gain and the hum.")
    return tuple(out)


__all__ = ["recorder_from", "recorder_keys", "recorder_remarks", "same_recorder"]
