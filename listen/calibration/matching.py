"""Matching of plateaus to voltages, in order; missing, double and too short plateaus are reported."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from listen.calibration.pairing import clear_pairing, pairings
from listen.calibration.plateaus import Plateau
from listen.calibration.types import Floats
from listen.calibration.voltage_input import VoltageInput
from listen.errors import CaptureError
from listen.units import format_hz, hz_from_cents

_SHORT = 0.4
_SAME_CENTS = 5.0
_MOST_VIEWS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """Plateaus by voltage.

    Attributes
    ----------
    plateaus : tuple of Plateau or None
        One a voltage; None where it is missing from the take; silent where nothing oscillates.
    notes : tuple of str
    left_out : int
        So many plateaus belong to no voltage.
    """

    plateaus: tuple[Plateau | None, ...]
    notes: tuple[str, ...]
    left_out: int = 0


def match(
    ways: list[list[Plateau]],
    quiet: list[Plateau],
    voltages: VoltageInput,
    name: str,
    shares: Sequence[float] | None = None,
) -> Matched:
    """Give each voltage its plateau.

    Parameters
    ----------
    ways : list of list of Plateau
        Ways to see the pitch, the likeliest first.
    quiet : list of Plateau
        Segments in which nothing oscillates.
    voltages : Given
    name : str
        The capture, for messages.
    shares : sequence of float, optional
        How likely each way is; each half as likely as the one before where not given.

    Returns
    -------
    Matched

    Raises
    ------
    CaptureError
        The plateaus do not fit the voltages in one clear way.
    """
    if not ways:
        raise CaptureError(f"{name}: the pitch never rests", "hold each voltage for a second or more")
    views = ways[:_MOST_VIEWS]
    likely = np.array(shares[: len(views)] if shares is not None else [0.5**k for k in range(len(views))])
    tried = [
        pairing
        for plateaus, share in zip(views, likely / likely.sum(), strict=True)
        for pairing in pairings(plateaus, voltages, float(share))
    ]
    way = clear_pairing(tried, voltages)
    if way is None:
        raise _no_match(ways[0], quiet, voltages, name)
    plateaus = way.plateaus
    matched: list[Plateau | None] = [None if i is None else plateaus[i] for i in way.plateau_of]
    notes = [] if len(plateaus) == len(voltages.values) else [_count_note(len(plateaus), voltages)]
    notes += _missing_notes(matched, quiet, voltages)
    used = set(way.plateau_of)
    extra = [plateau for i, plateau in enumerate(plateaus) if i not in used]
    notes += [_extra_note(plateau, matched, voltages) for plateau in extra]
    return Matched(
        plateaus=tuple(matched),
        notes=(*notes, *_short_notes(matched, voltages)),
        left_out=sum(_repeated(plateau, matched) is None for plateau in extra),
    )


def smooth_law_rms_cents(values: Floats, cents: Floats) -> float:
    """Return the r.m.s. residual, in cents, of the best of a few smooth laws.

    Straight in pitch, straight in hertz, bent in pitch, straight against the logarithm of the voltage.
    """
    n = len(values)
    if n < 3:
        return 0.0
    v = (values - values.mean()) / max(float(np.ptp(values)), 1e-9)
    one = np.ones(n)
    tries = [_fit_rms(np.column_stack([one, v]), cents)]
    if len(np.unique(values)) >= 5:
        tries.append(_fit_rms(np.column_stack([one, v, v * v]), cents))
    if np.all(values > 0):
        tries.append(_fit_rms(np.column_stack([one, np.log(values)]), cents))
    # In hertz, weighted so that the residual is relative.
    hertz = hz_from_cents(cents - cents.max(), 1.0)
    weighted = np.column_stack([one, v]) / hertz[:, None]
    tries.append(1200.0 / math.log(2.0) * _fit_rms(weighted, one))
    return min(tries)


def _fit_rms(columns: Floats, wanted: Floats) -> float:
    n, k = columns.shape
    if n <= k:
        return 0.0
    fit = np.linalg.lstsq(columns, wanted, rcond=None)[0]
    return float(np.sqrt(np.sum((wanted - columns @ fit) ** 2) / (n - k)))


def _no_match(plateaus: list[Plateau], quiet: list[Plateau], voltages: VoltageInput, name: str) -> CaptureError:
    wanted = len(voltages.values)
    what = "places" if voltages.axis == "positions" else "voltages"
    shown = ", ".join(
        f"{format_hz(hz_from_cents(p.level, 1.0))} at {p.start_s:.1f} s" for p in plateaus[: min(8, len(plateaus))]
    )
    more = f" and {len(plateaus) - 8} more" if len(plateaus) > 8 else ""
    silent = f" and {len(quiet)} silent segment{'es' if len(quiet) > 1 else ''}" if quiet else ""
    if len(plateaus) == wanted:
        problem = f"the {wanted} plateaus in the pitch do not follow the {wanted} {what} of {voltages.source}"
    else:
        problem = (
            f"{len(plateaus)} plateaus{silent} were found for the {wanted} {what} of {voltages.source}, "
            "and it cannot be told which belongs to which"
        )
    if voltages.source == "--cv-values" and wanted >= 2 * len(plateaus):
        return CaptureError(
            f"{name}: {problem} (found {shown}{more})",
            "with decimal commas put semicolons between the values: 0,98;2,01;2,97",
        )
    remedy = "check the values, choose the span with --start and --end, or give a --cv-file with start_s,end_s,cv_v"
    return CaptureError(f"{name}: {problem} (found {shown}{more})", remedy)


def _missing_notes(matched: list[Plateau | None], quiet: list[Plateau], voltages: VoltageInput) -> list[str]:
    """Fill silent steps in where the take is silent for long enough between two others, and say what is missing.

    Silence before the first step and after the last one is that of the recording: the supply is off.
    """
    notes = []
    holds = [p.hold_s for p in matched if p is not None]
    typical_s = float(np.median(holds)) if holds else 0.0
    for j in [j for j, p in enumerate(matched) if p is None]:
        before = max((p.end_s for p in matched[:j] if p is not None), default=-math.inf)
        after = min((p.start_s for p in matched[j + 1 :] if p is not None), default=math.inf)
        enclosed = math.isfinite(before) and math.isfinite(after)
        silent = [
            q
            for q in quiet
            if enclosed and q.start_s >= before - 0.1 and q.end_s <= after + 0.1 and q.hold_s > 0.4 * typical_s
        ]
        if silent:
            matched[j] = max(silent, key=lambda q: q.hold_s)
            notes.append(f"Step {j + 1} ({_value(voltages, j)}) does not oscillate.")
        else:
            notes.append(
                f"Step {j + 1} ({_value(voltages, j)}) is missing from the take, or was held too short to be seen."
            )
    return notes


def _extra_note(plateau: Plateau, matched: list[Plateau | None], voltages: VoltageInput) -> str:
    where = f"The plateau at {plateau.start_s:.2f} s ({format_hz(hz_from_cents(plateau.level, 1.0), 4)})"
    j = _repeated(plateau, matched)
    if j is not None:
        return f"{where} is step {j + 1} ({_value(voltages, j)}) once more; the longer one is used."
    what = "position" if voltages.axis == "positions" else "voltage"
    return f"{where} belongs to none of the steps and was left out: is a {what} missing from the list?"


def _repeated(plateau: Plateau, matched: list[Plateau | None]) -> int | None:
    """Return the step right before or after a plateau whose pitch it has: one hold, broken in two."""
    near = sorted(
        (abs(other.start_s - plateau.start_s), j, other)
        for j, other in enumerate(matched)
        if other is not None and not other.silent
    )
    for side in (-1.0, 1.0):
        neighbour = next(((j, one) for _, j, one in near if (one.start_s - plateau.start_s) * side > 0), None)
        if neighbour is not None and abs(neighbour[1].level - plateau.level) < _SAME_CENTS:
            return neighbour[0]
    return None


def _count_note(found: int, voltages: VoltageInput) -> str:
    what = "positions" if voltages.axis == "positions" else "voltages"
    return f"{found} plateaus were found for {len(voltages.values)} {what}."


def _short_notes(matched: list[Plateau | None], voltages: VoltageInput) -> list[str]:
    holds = [p.hold_s for p in matched if p is not None and not p.silent]
    if len(holds) < 3:
        return []
    typical_s = float(np.median(holds))
    notes = []
    for j, plateau in enumerate(matched):
        if plateau is not None and not plateau.silent and plateau.hold_s < _SHORT * typical_s:
            notes.append(
                f"Step {j + 1} ({_value(voltages, j)}) was held for only {plateau.hold_s:.2f} s, "
                f"the others for {typical_s:.2f} s."
            )
    return notes


def _value(voltages: VoltageInput, j: int) -> str:
    return f"position {voltages.values[j]:g}" if voltages.axis == "positions" else f"{voltages.values[j]:g} V"
