"""Shares: contribution of each part to THD, level span, pitch scatter and interharmonic power."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.fit import Fit, moved
from listen.account.curve.model import harmonics
from listen.account.shape import Shape
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """Contribution of one part, by its id, to a figure; None: unexplained."""

    part: str | None
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """Shares of the reported figures.

    Attributes
    ----------
    thd : tuple of Share
        Percent, at the worst place; the squares add up to its square.
    level_span : tuple of Share
        Decibels.
    pitch_scatter : tuple of Share
        Cents r.m.s., in the most restless segment; the squares add up.
    between_harmonics : tuple of Share
        dBc; the powers add up to the median residual's.
    """

    thd: tuple[Share, ...] = ()
    level_span: tuple[Share, ...] = ()
    pitch_scatter: tuple[Share, ...] = ()
    between_harmonics: tuple[Share, ...] = ()


_GROUPS = {"S": "slew", "D": "dead", "d": "dead"}
"""Letters of the model by part; all others are the amplifier's curve."""


def thd_squares(
    recorded: Frames, cleaned: Frames, row: int, shape: Shape | None, ids: dict[str, str]
) -> dict[str | None, float]:
    """Contributions of the parts to the squared THD of one row, in per cent squared.

    Parameters
    ----------
    recorded, cleaned : Frames
        With and without mains lines.
    row : int
    shape : Shape or None
    ids : dict of str to str
        Ids of the parts: ``tone``, ``curve``, ``slew``, ``dead``, ``mains``.

    Notes
    -----
    A part's share is the projection of what it makes on what was measured: with all parts taken off, one after the
    other, these add up to the measured square.
    """
    total = float(np.nan_to_num(recorded.thd_percent[row])) ** 2
    inside = min(float(np.nan_to_num(cleaned.thd_percent[row])) ** 2, total) if row < len(cleaned) else total
    out: dict[str | None, float] = {}
    if "mains" in ids and total > inside:
        out[ids["mains"]] = total - inside
    else:
        inside = total
    if shape is None or shape.choice is None or inside == 0.0:
        out[ids.get("tone")] = out.get(ids.get("tone"), 0.0) + inside
        return out
    measured = _row_lines(cleaned, row)
    by_part = _lines_by_part(shape, float(cleaned.f0_hz[row]))
    power = float(np.sum(np.abs(measured) ** 2))
    if power == 0.0:
        return out
    remaining = 1.0
    for name, lines in by_part.items():
        share = float(np.sum((lines * measured.conj()).real)) / power
        share = min(max(share, 0.0), remaining)
        key = ids.get(name, ids.get("tone"))
        if share > 0:
            out[key] = out.get(key, 0.0) + share * inside
            remaining -= share
    if remaining > 1e-6:
        out[None] = remaining * inside
    return out


def _row_lines(frames: Frames, row: int) -> Complexes:
    size = 10 ** (np.nan_to_num(frames.harmonics_dbc[row], nan=-300.0) / 20)
    return np.asarray(size * np.exp(1j * np.nan_to_num(frames.harmonic_phase_rad[row])))


def _lines_by_part(shape: Shape, f0_hz: float) -> dict[str, Complexes]:
    """Harmonics due to each group of parts at a pitch: the difference that its removal makes."""
    assert shape.choice is not None
    fit, bins = shape.choice.best, shape.bins

    def at(lines: Complexes) -> Complexes:
        x, y = np.log(bins.f0_hz), np.log(f0_hz)
        real = np.array([np.interp(y, x, lines[:, k].real) for k in range(lines.shape[1])])
        imag = np.array([np.interp(y, x, lines[:, k].imag) for k in range(lines.shape[1])])
        return np.asarray(real + 1j * imag)

    whole = fit.lines()
    groups: dict[str, str] = {}
    for letter in fit.stages.parts:
        name = _GROUPS.get(letter, "curve")
        groups[name] = groups.get(name, "") + letter
    parts: dict[str, Complexes] = {}
    rest = whole
    for name in sorted(groups, key=lambda group: -_size(fit, groups[group], whole)):
        without = _lines_without(fit, groups[name])
        parts[name] = at(whole - without)
        rest = rest - (whole - without)
    # the interaction of the parts is attributed to the largest
    if parts:
        first = next(iter(parts))
        parts[first] = parts[first] + at(rest)
    parts["tone"] = fit.leftover
    return parts


def _size(fit: Fit, letters: str, whole: Complexes) -> float:
    return float(np.sum(np.abs(whole - _lines_without(fit, letters)) ** 2))


def _lines_without(fit: Fit, letters: str) -> Complexes:
    stages = replace(fit.stages, parts="".join(c for c in fit.stages.parts if c not in letters))
    bins = fit.layout.bins
    vector, layout = moved(fit, stages, bins)
    return harmonics(layout.values(vector), bins.r).lines


def interharmonic_powers(
    frames: Frames, rows: Flags, taken: dict[str, Floats], noise: float
) -> tuple[dict[str | None, float], float]:
    """Mean interharmonic powers relative to the fundamental, by part, and their measured sum.

    Parameters
    ----------
    frames : Frames
        As recorded.
    rows : ndarray of bool
    taken : dict of id to ndarray
        Power of each part, row by row.
    noise : float
        Steady noise against the tone.
    """
    with np.errstate(invalid="ignore"):
        measured = 10 ** (frames.residual_dbc[rows] / 10)
    known = np.isfinite(measured)
    total = float(np.mean(measured[known])) if known.any() else 0.0
    out: dict[str | None, float] = {"noise": min(noise, total)}
    remaining = total - out["noise"]
    for name, power in sorted(taken.items(), key=lambda item: -float(np.mean(item[1][rows]))):
        own = min(float(np.mean(power[rows])), remaining)
        if own > 0:
            out[name] = own
            remaining -= own
    if remaining > 1e-12:
        out[None] = remaining
    return out, total
