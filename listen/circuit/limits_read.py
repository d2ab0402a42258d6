"""What the amplifier can do, read from the account's shape: clip levels, dead band, slope; in volts."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.account.curve.held_level import behind_knees
from listen.account.curve.wave import settled, waves
from listen.account.shape import Shape
from listen.circuit.amplifier import Amplifier
from listen.circuit.types import Quantity, Where, unknown
from listen.findings import half_name
from listen.sorting import median

Floats = NDArray[np.floating[Any]]

_LEVEL_SHARE = 3e-4
"""Uncertainty of a clip level beside the fit's own: the knee's rounding is no finer than ten harmonics tell, and a
sharper one is read so much further out (solved circuits)."""
_DEAD_OF_PEAK = 1.2e-4
"""Uncertainty of half a dead band, over the peak before the stage, beside the fit's own: its corners are taken for
rounded by 0.004 of that and drawn by 192 points, and nobody states how they are (solved circuits)."""
_LEAST_MISFIT = 0.03
"""A model that leaves less of the expected misfit than this, as a standard deviation, is held to leave so much."""
_POINTS = 256
_LEAST_LOSS = 0.002
"""Crest lost by knees from which they are held to be a clip level."""
_LEAST_DEAD = 0.003
NO_VOLTS = "state volts_per_full_scale: without it nothing is known in volts"


def where_of(account: Account, rows: NDArray[np.bool_]) -> Where | None:
    """Place of some rows."""
    frames = account.frames
    use = rows & np.isfinite(frames.f0_hz)
    if not use.any():
        return None
    time_s, f0 = frames.time_s[use], frames.f0_hz[use]
    return Where(
        start_s=float(time_s[0]), end_s=float(time_s[-1]), f0_low_hz=float(f0.min()), f0_high_hz=float(f0.max())
    )


def clip_levels(
    account: Account, amplifier: Amplifier | None, volts: float | None, polarity_known: bool
) -> tuple[Quantity, Quantity]:
    """Clip levels of the negative and of the positive half, about the sine's own centre."""
    if volts is None:
        return unknown(NO_VOLTS), unknown(NO_VOLTS)
    where = where_of(account, account.shape.rows) if account.shape is not None else None
    if amplifier is not None and amplifier.fit.stages.rails:
        return tuple(  # type: ignore[return-value]
            _from_curve(clip, volts, where, half_name(half, polarity_known))
            for clip, half in zip(amplifier.clip_fs, ("negative", "positive"), strict=True)
        )
    negative, positive = (half_name(half, polarity_known) for half in ("negative", "positive"))
    return _from_shape(account, "N", -volts, where, negative), _from_shape(account, "P", volts, where, positive)


def _from_curve(clip: tuple[float, float] | None, volts: float, where: Where | None, half: str) -> Quantity:
    if clip is None:
        return unknown(f"the {half} does not reach its limit")
    return Quantity(value=clip[0] * volts, sigma=clip[1] * volts, where=where, source="curve")


def _from_shape(account: Account, letter: str, volts: float, where: Where | None, half: str) -> Quantity:
    """A knee that the account found behind or inside the loop, in volts with the half's sign."""
    shape = account.shape
    if shape is None or shape.choice is None or shape.sizes is None:
        return unknown("too few rows show the wave at rest")
    fit, sizes, bins = shape.choice.best, shape.sizes, shape.bins
    found = fit.unknown(letter) or fit.unknown("T")
    if found is None or not sizes.hard or max(sizes.loss_one.max(), sizes.loss_both.max()) < _LEAST_LOSS:
        return unknown(f"the {half} is not clipped")
    if fit.unknown(letter) is None and not bool(np.any(sizes.loss_both > _LEAST_LOSS)):
        return unknown(f"the {half} is not clipped")
    share = misfit(shape)
    if fit.stages.knee == "fs":
        level = float(found[0][0]) * float(bins.amplitude_fs.max())
        sigma = share * float(found[1][0]) * float(bins.amplitude_fs.max())
    else:
        # in proportion to the stage's own sine, or free along the pitch: volts only where they stay
        levels = np.broadcast_to(found[0], len(bins)) * _stage_input(shape)
        level = median(levels)
        sigma = float(np.std(levels)) + share * float(np.max(found[1])) * level
    passed, unsure = _of_second_stage(shape, letter, share)
    sigma = math.hypot(sigma, unsure, _LEVEL_SHARE * level)
    return Quantity(value=passed * level * volts, sigma=abs(volts) * sigma, where=where, source="curve")


def _of_second_stage(shape: Shape, letter: str, share: float) -> tuple[float, float]:
    """Part of a clip level that a second stage lets through, and a deviation of full scale: it is heard behind that."""
    assert shape.choice is not None
    fit, amplitude_fs = shape.choice.best, shape.bins.amplitude_fs
    at = settled(fit.values, shape.bins.r)
    sign, level = (1.0, fit.values.top) if letter == "P" else (-1.0, fit.values.bottom)
    held = level * at.amplitude if fit.values.own_levels else level
    passed = sign * behind_knees(fit.values, sign * held, at.amplitude) / held
    found = fit.unknown("D") if fit.stages.second_stage else None
    unsure = share * float(found[1][0]) * median(at.amplitude * amplitude_fs) if found is not None else 0.0
    return median(passed), unsure


def dead_band(account: Account, volts: float | None) -> Quantity:
    """Half the width of the dead band, in volts of the wave before the stage: d peak / (1 - d)."""
    shape = account.shape
    if shape is None or shape.sizes is None or shape.choice is None:
        return unknown("too few rows show the wave at rest")
    sizes = shape.sizes
    if float(sizes.dead.max()) < _LEAST_DEAD:
        return unknown("no dead band was found")
    if volts is None:
        return unknown(NO_VOLTS)
    peak = _stage_input(shape) * volts
    value = median(sizes.dead * peak)
    found = shape.choice.best.unknown("D")
    relative = misfit(shape) * float(found[1][0] / found[0][0]) if found is not None else 0.1
    sigma = math.hypot(relative * value, _DEAD_OF_PEAK * median(peak))
    return Quantity(value=value, sigma=sigma, where=where_of(account, shape.rows), source="dead-band")


def misfit(shape: Shape) -> float:
    """What the model leaves over what was allowed for: lines weigh by a model's error, not by the noise."""
    assert shape.choice is not None
    return max(math.sqrt(shape.choice.best.chi2 / shape.bins.independent), _LEAST_MISFIT)


def _stage_input(shape: Shape) -> Floats:
    """Amplitude of the sine that the stages are driven with, of full scale, a value a bin: what comes out is known."""
    assert shape.choice is not None
    values = shape.choice.best.values
    at = settled(values, shape.bins.r)
    out = waves(values, at, _POINTS)
    first = np.abs(np.fft.rfft(out, axis=1)[:, 1]) * (2.0 / _POINTS)
    return np.asarray(shape.bins.amplitude_fs * at.amplitude / first)


def peaks_v(account: Account, volts: float | None) -> tuple[float, float] | None:
    """Lowest and highest peak of the tone about its centre, in volts."""
    frames = account.frames
    rows = account.judged & np.isfinite(frames.crest_positive) & np.isfinite(frames.crest_negative)
    if volts is None or not rows.any():
        return None
    amplitude = 10 ** (frames.fundamental_dbfs[rows] / 20) * volts
    return -float(np.max(amplitude * frames.crest_negative[rows])), float(
        np.max(amplitude * frames.crest_positive[rows])
    )


def headroom_v(
    clips: tuple[Quantity, Quantity],
    peaks: tuple[float, float] | None,
    supply_v: tuple[float, float] | None,
    amplifier_v: tuple[float, float] | None,
) -> tuple[float | None, float | None] | None:
    """Volts between each peak and its limit: a clip level that was read, else the rail less the amplifier's headroom.

    Returns
    -------
    tuple or None
        Toward the negative and the positive rail; None where nothing is known of either.
    """
    if peaks is None:
        return None
    out: list[float | None] = []
    for side, (clip, peak) in enumerate(zip(clips, peaks, strict=True)):
        if clip.value is not None:
            out.append(max(abs(clip.value) - abs(peak), 0.0))
        elif supply_v is not None and amplifier_v is not None:
            out.append(abs(supply_v[side]) - amplifier_v[side] - abs(peak))
        else:
            out.append(None)
    return None if out == [None, None] else (out[0], out[1])
