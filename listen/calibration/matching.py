"""Plateaus to voltages, in order; what is missing, doubled or too short is said, never passed over."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from listen.calibration.given import Given
from listen.calibration.plateaus import Plateau
from listen.calibration.types import Floats
from listen.errors import CaptureError
from listen.units import format_hz, hz_from_cents

MOST_TRIES = 4000
CLEARLY = 0.4
"""One way to match must leave less than this part of what the next one leaves."""
_FITS = 0.2
"""What a match may leave, as a part of the median step."""
_SUSPECT = 0.12
_SHORT = 0.4
_ALIKE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """Plateaus by voltage.

    Attributes
    ----------
    plateaus : tuple of Plateau or None
        One a voltage; None where it is missing from the take; silent where nothing oscillates.
    notes : tuple of str
    """

    plateaus: tuple[Plateau | None, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """One way to match: which plateau each voltage has, and what a smooth law leaves of it, in cents."""

    plateau_of: tuple[int | None, ...]
    left_cents: float


def match(ways: list[list[Plateau]], quiet: list[Plateau], given: Given, name: str) -> Matched:
    """Give each voltage its plateau.

    Parameters
    ----------
    ways : list of list of Plateau
        Ways to see the pitch, the likeliest first.
    quiet : list of Plateau
        Stretches in which nothing oscillates.
    given : Given
    name : str
        The capture, for messages.

    Returns
    -------
    Matched

    Raises
    ------
    CaptureError
        The plateaus do not fit the voltages in one clear way.

    Notes
    -----
    As many plateaus as voltages are taken in order, unless the pitches then fit no smooth law and would with one left
    out. Fewer or more: every way to leave out is tried; the one whose pitches follow a smooth law is taken if it
    is clearly better than the next.
    """
    wanted = len(given.values)
    if not ways:
        raise CaptureError(f"{name}: the pitch never rests", "hold each voltage for a second or more")
    best: tuple[_Way, list[Plateau]] | None = None
    for plateaus in ways[:3]:
        if abs(len(plateaus) - wanted) > 3:
            continue
        tried = _match_one(plateaus, given.values)
        if tried and (best is None or tried.left_cents < CLEARLY * best[0].left_cents):
            best = tried, plateaus
    if best is None:
        raise _no_match(ways[0], quiet, given, name)
    way, plateaus = best
    matched: list[Plateau | None] = [None if i is None else plateaus[i] for i in way.plateau_of]
    notes = [] if len(plateaus) == wanted else [f"{len(plateaus)} plateaus were found for {wanted} voltages."]
    notes += _missing_notes(matched, quiet, given)
    used = set(way.plateau_of)
    for i, plateau in enumerate(plateaus):
        if i not in used:
            notes.append(_extra_note(plateau, matched, given))
    return Matched(plateaus=tuple(matched), notes=(*notes, *_short_notes(matched, given)))


def smooth_left_cents(values: Floats, cents: Floats) -> float:
    """Return what the best of a few smooth laws leaves of the pitches, r.m.s. in cents.

    Straight in pitch, straight in hertz, bent in pitch, straight against the logarithm of the voltage.
    """
    n = len(values)
    if n < 3:
        return 0.0
    v = (values - values.mean()) / max(float(np.ptp(values)), 1e-9)
    one = np.ones(n)
    tries = [_left(np.column_stack([one, v]), cents)]
    if len(np.unique(values)) >= 5:
        tries.append(_left(np.column_stack([one, v, v * v]), cents))
    if np.all(values > 0):
        tries.append(_left(np.column_stack([one, np.log(values)]), cents))
    # In hertz, weighted so that what is left is relative.
    hertz = hz_from_cents(cents - cents.max(), 1.0)
    weighted = np.column_stack([one, v]) / hertz[:, None]
    tries.append(1200.0 / math.log(2.0) * _left(weighted, one))
    return min(tries)


def _left(columns: Floats, wanted: Floats) -> float:
    n, k = columns.shape
    if n <= k:
        return 0.0
    fit = np.linalg.lstsq(columns, wanted, rcond=None)[0]
    return float(np.sqrt(np.sum((wanted - columns @ fit) ** 2) / (n - k)))


def _match_one(plateaus: list[Plateau], values: tuple[float, ...]) -> _Way | None:
    """Return the clear way to match one view of the pitch, None where there is none."""
    found, wanted = len(plateaus), len(values)
    step = _median_step(plateaus)
    if found == wanted:
        plain = _way(plateaus, values, tuple(range(wanted)))
        if plain.left_cents <= _SUSPECT * step or found < 4:
            return plain
        # one missing and one too many?
        others = [
            _way(plateaus, values, _leave_out(wanted, (gone,), found, (extra,)))
            for gone in range(wanted)
            for extra in range(found)
            if gone != extra and wanted * found <= MOST_TRIES
        ]
        better = [way for way in others if way.left_cents < 0.25 * plain.left_cents]
        if not better:
            return plain if _goes_the_right_way(plateaus, values) else None
        return _clear(better, plateaus, step)
    missing, extra = max(0, wanted - found), max(0, found - wanted)
    if math.comb(max(wanted, found), missing + extra) > MOST_TRIES or min(wanted, found) < 2:
        return None
    return _clear(
        [
            _way(plateaus, values, _leave_out(wanted, out if missing else (), found, out if extra else ()))
            for out in combinations(range(max(wanted, found)), missing + extra)
        ],
        plateaus,
        step,
    )


def _leave_out(wanted: int, gone: tuple[int, ...], found: int, extra: tuple[int, ...]) -> tuple[int | None, ...]:
    left = iter(i for i in range(found) if i not in extra)
    return tuple(None if j in gone else next(left) for j in range(wanted))


def _way(plateaus: list[Plateau], values: tuple[float, ...], plateau_of: tuple[int | None, ...]) -> _Way:
    pairs = [(values[j], plateaus[i].level) for j, i in enumerate(plateau_of) if i is not None]
    v, cents = np.array(pairs).T
    return _Way(plateau_of=plateau_of, left_cents=smooth_left_cents(v, cents))


def _clear(ways: list[_Way], plateaus: list[Plateau], step: float) -> _Way | None:
    """Return the best way if it fits and no way that means something else fits nearly as well."""
    ways = sorted(ways, key=lambda way: way.left_cents)
    best = ways[0]
    alike = [way for way in ways if _means_the_same(way, best, plateaus, step)]
    others = [way for way in ways if not _means_the_same(way, best, plateaus, step)]
    if best.left_cents > _FITS * step:
        return None
    if others and best.left_cents + 0.002 * step > CLEARLY * others[0].left_cents:
        return None
    # The same voltage held twice: the longer hold is the better one.
    return max(alike, key=lambda way: sum(plateaus[i].hold_s for i in way.plateau_of if i is not None))


def _means_the_same(way: _Way, other: _Way, plateaus: list[Plateau], step: float) -> bool:
    for i, j in zip(way.plateau_of, other.plateau_of, strict=True):
        if (i is None) != (j is None):
            return False
        if i is not None and j is not None and abs(plateaus[i].level - plateaus[j].level) > _ALIKE * step:
            return False
    return True


def _goes_the_right_way(plateaus: list[Plateau], values: tuple[float, ...]) -> bool:
    """Return whether pitch and voltage turn round at the same places (all up where all go down is fine too)."""
    levels = np.diff([plateau.level for plateau in plateaus])
    volts = np.diff(values)
    signs = np.sign(levels) * np.sign(volts)
    signs = signs[volts != 0]
    return bool(abs(signs.sum()) >= len(signs) - 1)


def _median_step(plateaus: list[Plateau]) -> float:
    steps = np.abs(np.diff([plateau.level for plateau in plateaus]))
    return float(np.median(steps)) if len(steps) else math.inf


def _no_match(plateaus: list[Plateau], quiet: list[Plateau], given: Given, name: str) -> CaptureError:
    wanted = len(given.values)
    what = "places" if given.axis == "positions" else "voltages"
    shown = ", ".join(
        f"{format_hz(hz_from_cents(p.level, 1.0))} at {p.start_s:.1f} s" for p in plateaus[: min(8, len(plateaus))]
    )
    more = f" and {len(plateaus) - 8} more" if len(plateaus) > 8 else ""
    silent = f" and {len(quiet)} silent stretch{'es' if len(quiet) > 1 else ''}" if quiet else ""
    if len(plateaus) == wanted:
        problem = f"the {wanted} plateaus in the pitch do not follow the {wanted} {what} of {given.source}"
    else:
        problem = (
            f"{len(plateaus)} plateaus{silent} were found for the {wanted} {what} of {given.source}, "
            "and it cannot be told which belongs to which"
        )
    mend = "check the values, choose the span with --start and --end, or give a --cv-file with start_s,end_s,cv_v"
    return CaptureError(f"{name}: {problem} (found {shown}{more})", mend)


def _missing_notes(matched: list[Plateau | None], quiet: list[Plateau], given: Given) -> list[str]:
    """Fill silent steps in where the take is silent for long enough, and say what is missing."""
    notes = []
    holds = [p.hold_s for p in matched if p is not None]
    typical_s = float(np.median(holds)) if holds else 0.0
    for j in [j for j, p in enumerate(matched) if p is None]:
        before = max((p.end_s for p in matched[:j] if p is not None), default=-math.inf)
        after = min((p.start_s for p in matched[j + 1 :] if p is not None), default=math.inf)
        silent = [
            q for q in quiet if q.start_s >= before - 0.1 and q.end_s <= after + 0.1 and q.hold_s > 0.4 * typical_s
        ]
        if silent:
            matched[j] = max(silent, key=lambda q: q.hold_s)
            notes.append(f"Step {j + 1} ({_value(given, j)}) does not oscillate.")
        else:
            notes.append(
                f"Step {j + 1} ({_value(given, j)}) is missing from the take, or was held too short to be seen."
            )
    return notes


def _extra_note(plateau: Plateau, matched: list[Plateau | None], given: Given) -> str:
    where = f"The plateau at {plateau.start_s:.2f} s ({format_hz(hz_from_cents(plateau.level, 1.0), 4)})"
    for j, other in enumerate(matched):
        if other is not None and not other.silent and abs(other.level - plateau.level) < 5.0:
            return f"{where} is step {j + 1} ({_value(given, j)}) once more; the longer one is used."
    return f"{where} belongs to none of the steps and was left out."


def _short_notes(matched: list[Plateau | None], given: Given) -> list[str]:
    holds = [p.hold_s for p in matched if p is not None and not p.silent]
    if len(holds) < 3:
        return []
    typical_s = float(np.median(holds))
    notes = []
    for j, plateau in enumerate(matched):
        if plateau is not None and not plateau.silent and plateau.hold_s < _SHORT * typical_s:
            notes.append(
                f"Step {j + 1} ({_value(given, j)}) was held for only {plateau.hold_s:.2f} s, "
                f"the others for {typical_s:.2f} s."
            )
    return notes


def _value(given: Given, j: int) -> str:
    return f"position {given.values[j]:g}" if given.axis == "positions" else f"{given.values[j]:g} V"
