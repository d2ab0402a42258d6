"""Drift of a build's table between two calibrations: common offset, width of the octaves, and residual."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from listen.calibration.fits import student_factor
from listen.logbook.tables import CalibrationTable, Floats, TableCurve, table_of
from listen.logbook.types import Entry
from listen.units import A4_HZ, hz_from_cents, note_name, note_number

_BEYOND = 0.05
"""A curve is carried on past its ends by this part of its mean step: a meter does not read the same twice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteDrift:
    """One note.

    Attributes
    ----------
    note : str
    f0_hz : float
        Of the note.
    control : float
        What gave this note in the earlier table: volts, or the place of the dial.
    drift_cents : float
        What it gives now, less the note.
    rest_cents : float
        What offset and span do not explain of it.
    """

    note: str
    f0_hz: float
    control: float
    drift_cents: float
    rest_cents: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """One table against an earlier one.

    Attributes
    ----------
    entry, against : Entry
        The later table and the earlier one.
    cause : {'drift', 'trim'}
        ``trim``: a table as left, against the one before it: what the adjusting did.
    axis : str
        ``volts`` or ``positions``.
    days : float
    temperature_change_c : float or None
        None where it was not noted on both days.
    offset_cents, offset_sigma_cents : float or None
        How far all notes moved, taken at ``middle_hz``; the standard deviation is None where nothing tells it.
    span_cents_per_octave, span_sigma_cents_per_octave : float or None
        How much wider each octave became; None where the tables share a single step.
    rest_rms_cents : float or None
        What is left of the drift at the steps; None where nothing can be left (fewer than three steps).
    middle_hz : float or None
        The middle of the earlier table.
    steps : int
        How many were compared.
    left_out : int
        Steps of both tables that were missing, silent, still moving or did not fit the others.
    notes : tuple of NoteDrift
        Every note of equal temperament within both tables, lowest first.
    why_not : str or None
        Why nothing can be compared.
    """

    entry: Entry
    against: Entry
    cause: Literal["drift", "trim"]
    axis: str
    days: float
    temperature_change_c: float | None
    offset_cents: float | None = None
    offset_sigma_cents: float | None = None
    span_cents_per_octave: float | None = None
    span_sigma_cents_per_octave: float | None = None
    rest_rms_cents: float | None = None
    middle_hz: float | None = None
    steps: int = 0
    left_out: int = 0
    notes: tuple[NoteDrift, ...] = ()
    why_not: str | None = None


def drift_history(entries: Sequence[Entry]) -> tuple[Drift, ...]:
    """Compare the calibrations of one build, in their order.

    Parameters
    ----------
    entries : sequence of Entry
        Of one build, oldest first; other kinds and what was struck out are passed over.

    Returns
    -------
    tuple of Drift
        A table as left is compared with the one before it (``trim``: that is the screwdriver's doing) and is the
        reference from then on; every other is compared with the reference (``drift``), at first the first table.
    """
    tables = [entry for entry in entries if entry.kind == "calibration" and entry.struck is None]
    found: list[Drift] = []
    reference = tables[0] if tables else None
    for before, entry in pairwise(tables):
        assert reference is not None
        if entry.state == "as-left" and before.state != "as-left":
            found.append(compare_tables(before, entry, cause="trim"))
        else:
            found.append(compare_tables(reference, entry))
        if entry.state == "as-left":
            reference = entry
    return tuple(found)


def compare_tables(against: Entry, entry: Entry, *, cause: Literal["drift", "trim"] = "drift") -> Drift:
    """Compare a table with an earlier one.

    Parameters
    ----------
    against, entry : Entry
        The earlier calibration and the later one.
    cause : {'drift', 'trim'}

    Returns
    -------
    Drift

    Notes
    -----
    At each setting of the earlier table the later one is interpolated (cubic in the logarithm of pitch),
    each direction with its own curve, so that hysteresis cancels. A straight line through the differences over the
    octaves from the middle, weighted by the stated standard deviations, gives offset and span; their standard
    deviations follow from the stated ones or from the scatter about the line, whichever is larger.
    """
    old, new = table_of(against), table_of(entry)
    known = (against.temperature_c, entry.temperature_c)
    bare = Drift(
        entry=entry,
        against=against,
        cause=cause,
        axis=old.axis,
        days=(entry.measured - against.measured).total_seconds() / 86_400.0,
        temperature_change_c=None if None in known else known[1] - known[0],  # type: ignore[operator]
        left_out=old.left_out + new.left_out,
    )
    pairs, why_not = _pairs(old, new)
    if why_not:
        return replace(bare, why_not=why_not)
    at, moved, sigma = (np.concatenate(parts) for parts in zip(*(_moved(*pair) for pair in pairs), strict=True))
    middle = _middle(old)
    line = _line(at - middle, moved, sigma)
    return replace(
        bare,
        offset_cents=line.offset,
        offset_sigma_cents=line.offset_sigma,
        span_cents_per_octave=line.span,
        span_sigma_cents_per_octave=line.span_sigma,
        rest_rms_cents=line.rest_rms,
        middle_hz=float(2.0**middle),
        steps=len(at),
        notes=_notes(pairs, line, middle),
    )


Pair = tuple[TableCurve, TableCurve]


def _pairs(old: CalibrationTable, new: CalibrationTable) -> tuple[list[Pair], str | None]:
    """Return the curves of both tables that belong together, or why there are none."""
    if old.axis != new.axis:
        return [], f"one table is over {old.axis}, the other over {new.axis}"
    if not old.curves or not new.curves:
        return [], "one of the tables has no step that can be used"
    shared = [direction for direction in old.curves if direction in new.curves]
    if not shared:
        return [], f"one table goes {'/'.join(old.curves)}, the other {'/'.join(new.curves)}"
    pairs = [(old.curves[direction], new.curves[direction]) for direction in shared]
    pairs = [pair for pair in pairs if len(pair[1].control) >= 2 and _within(pair[0].control, pair[1]).any()]
    return pairs, None if pairs else "the tables share no range of the control with two steps in it"


def _within(control: Floats, curve: TableCurve) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    beyond = _BEYOND * curve.mean_step
    inside: np.ndarray[tuple[int, ...], np.dtype[np.bool_]] = (control >= curve.control[0] - beyond) & (
        control <= curve.control[-1] + beyond
    )
    return inside


def _moved(old: TableCurve, new: TableCurve) -> tuple[Floats, Floats, Floats]:
    """Return where the steps of the old curve lie (octaves), how far they moved (cents), and the sigma of that."""
    inside = _within(old.control, new)
    control, at = old.control[inside], old.octaves[inside]
    moved = 1200.0 * (_along(new, control) - at)
    sigma = np.hypot(old.sigma_cents[inside], np.interp(control, new.control, new.sigma_cents))
    return at, moved, sigma


def _along(curve: TableCurve, control: Floats) -> Floats:
    """Interpolate a curve; a little past its ends it goes on straight."""
    from scipy.interpolate import CubicSpline

    held = np.clip(control, curve.control[0], curve.control[-1])
    slopes = np.diff(curve.octaves) / np.diff(curve.control)
    slope = np.where(control < curve.control[0], slopes[0], slopes[-1])
    along: Floats = CubicSpline(curve.control, curve.octaves)(held) + (control - held) * slope
    return along


def _middle(table: CalibrationTable) -> float:
    """Return the middle of a table's range, log2 of Hz."""
    octaves = np.concatenate([curve.octaves for curve in table.curves.values()])
    return float(octaves.min() + octaves.max()) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    offset: float
    offset_sigma: float | None
    span: float | None
    span_sigma: float | None
    rest_rms: float | None

    def at(self, octaves: float) -> float:
        return self.offset + (self.span or 0.0) * octaves


def _line(octaves: Floats, moved: Floats, sigma: Floats) -> _Line:
    """Fit offset and span; with a single step, or all at one pitch, the offset alone."""
    stated = bool(np.isfinite(sigma).all())
    weights = 1.0 / sigma if stated else np.ones_like(moved)
    degree = 1 if np.ptp(octaves) > 1e-6 else 0
    fit, covariance = (
        np.polyfit(octaves, moved, degree, w=weights, cov="unscaled")
        if len(moved) > 1
        else (moved, 1.0 / weights[:, None] ** 2)
    )
    rest = moved - np.polyval(fit, octaves)
    spare = len(moved) - degree - 1
    # few residuals: the stated deviation is to hold in 68 of 100 cases (JCGM 100:2008, annex G.3)
    scale = float(np.sum((weights * rest) ** 2)) / spare * student_factor(spare) ** 2 if spare else None
    if stated:
        scale = max(1.0, scale or 0.0)
    errors = None if scale is None else np.sqrt(np.diag(covariance) * scale)
    return _Line(
        offset=float(fit[-1]),
        offset_sigma=None if errors is None else float(errors[-1]),
        span=float(fit[0]) if degree else None,
        span_sigma=float(errors[0]) if degree and errors is not None else None,
        rest_rms=math.sqrt(float(np.mean(rest**2))) if spare else None,
    )


def _notes(pairs: Sequence[Pair], line: _Line, middle: float) -> tuple[NoteDrift, ...]:
    """Return the drift of each note that lies within both curves; the mean of the directions that have it."""
    found: dict[int, list[tuple[float, float]]] = {}
    for old, new in pairs:
        for number, control, drift_cents in _drift_by_note(old, new):
            found.setdefault(number, []).append((control, drift_cents))
    notes = []
    for number, values in sorted(found.items()):
        control, drift_cents = (float(mean) for mean in np.mean(values, axis=0))
        f0_hz = _note_hz(number)
        notes.append(
            NoteDrift(
                note=note_name(f0_hz),
                f0_hz=f0_hz,
                control=control,
                drift_cents=drift_cents,
                rest_cents=drift_cents - line.at(math.log2(f0_hz) - middle),
            )
        )
    return tuple(notes)


def _drift_by_note(old: TableCurve, new: TableCurve) -> list[tuple[int, float, float]]:
    """Return note, control and drift; none where pitch does not always go one way.

    The drift itself is interpolated between the steps: it is smooth and small where the pitch is neither.
    """
    inside = _within(old.control, new)
    octaves, moved, _ = _moved(old, new)
    control = old.control[inside]
    if len(octaves) >= 2 and octaves[0] > octaves[-1]:
        octaves, moved, control = octaves[::-1], moved[::-1], control[::-1]
    if len(octaves) < 2 or not np.all(np.diff(octaves) > 0.0):
        return []
    lowest = math.ceil(note_number(float(2.0 ** octaves[0])) - 1e-6)
    highest = math.floor(note_number(float(2.0 ** octaves[-1])) + 1e-6)
    numbers = list(range(lowest, highest + 1))
    if not numbers:
        return []
    from scipy.interpolate import CubicSpline

    at = np.clip([math.log2(_note_hz(number)) for number in numbers], octaves[0], octaves[-1])
    settings, drifts = CubicSpline(octaves, control)(at), np.interp(at, octaves, moved)
    return [(n, float(v), float(d)) for n, v, d in zip(numbers, settings, drifts, strict=True)]


def _note_hz(number: int) -> float:
    return hz_from_cents(100.0 * (number - 69), A4_HZ)
