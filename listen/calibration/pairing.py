"""Which plateau belongs to which voltage: every way that keeps the order, by the evidence of a law."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from listen.calibration.law_evidence import MeasuredSteps, log_sum, typed_sigma_v, ways_of
from listen.calibration.outliers import DOUBTED_BELOW, judge_voltages, log_unexplained
from listen.calibration.plateaus import Plateau
from listen.calibration.types import Floats
from listen.calibration.voltage_input import VoltageInput

MOST_APART = 3
"""So many more or fewer plateaus than voltages are still matched."""
MOST_TRIES = 4000
CLEARLY = 0.8
"""A way to match is taken from this posterior probability on: four to one against all others together."""
_SKIPPED_SHARE = 0.02
"""Prior probability that a voltage was not held, or that a plateau is none of the steps (no source)."""
_FOREIGN_SHARE = 0.01
"""Prior probability that the voltages are those of another take."""
_TRIED = 10
_ALIKE = 0.1
_LEAST_JUDGED = 4
_EVEN_PLACE = 0.01
_SIGMA_CENTS = 0.5
_QUICK_POWERS = (0.0, 0.5, 1.0, 1.3, 1.6, 2.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairing:
    """One way to match one view of the pitch.

    Attributes
    ----------
    plateaus : list of Plateau
        The view.
    plateau_of : tuple of int or None
        For each voltage its plateau.
    log_evidence : float
    sound : float
        Probability that no voltage is wrong, if this is the way.
    share : float
        Prior probability of the view.
    """

    plateaus: list[Plateau]
    plateau_of: tuple[int | None, ...]
    log_evidence: float
    sound: float = 1.0
    share: float = 1.0

    @property
    def pairs(self) -> list[tuple[int, Plateau]]:
        """Which voltages have a plateau, and theirs."""
        return [(j, self.plateaus[i]) for j, i in enumerate(self.plateau_of) if i is not None]

    @property
    def hold_s(self) -> float:
        """How long all its plateaus are."""
        return sum(plateau.hold_s for _, plateau in self.pairs)


def pairings(plateaus: list[Plateau], voltages: VoltageInput, share: float = 1.0) -> list[Pairing]:
    """Return the likeliest ways to match one view of the pitch.

    Parameters
    ----------
    plateaus : list of Plateau
    voltages : Given
    share : float
        Prior probability of this view.

    Returns
    -------
    list of Pairing
        Empty where the numbers are too far apart.

    Notes
    -----
    As many plateaus as voltages are taken in order, unless one voltage left out and one plateau too many explain the
    pitches better than any voltages typed wrong do.
    """
    found, wanted = len(plateaus), len(voltages.values)
    if found == wanted:
        ways = _in_order(plateaus, voltages)
    elif abs(found - wanted) > MOST_APART or min(found, wanted) < 3:
        return []
    else:
        apart = abs(found - wanted)
        if math.comb(max(found, wanted), apart) > MOST_TRIES:
            return []
        every = [
            _way_without(wanted, out if wanted > found else (), found, out if found > wanted else ())
            for out in combinations(range(max(wanted, found)), apart)
        ]
        ways = [_weighed(plateaus, voltages, way) for way in _likeliest_ways(plateaus, voltages, every)]
    return [replace(way, log_evidence=way.log_evidence + math.log(share), share=share) for way in ways]


def clear_pairing(ways: list[Pairing], voltages: VoltageInput) -> Pairing | None:
    """Return the likeliest way if those that mean something else, and none at all, are clearly less likely.

    Parameters
    ----------
    ways : list of Pairing
        Of all views of the pitch.
    voltages : Given

    Returns
    -------
    Pairing or None
    """
    if not ways:
        return None
    best = max(ways, key=lambda way: way.log_evidence)
    in_order = len(best.plateaus) == len(voltages.values)
    if len(voltages.values) < _LEAST_JUDGED:
        return best if in_order else None
    foreign = math.log(_FOREIGN_SHARE) + log_unexplained(*_from_median(voltages))
    if best.log_evidence < foreign:
        return best if in_order and turns_with_voltage(best.plateaus, voltages.values) else None
    alike = [way for way in ways if _same_pairing(way, best, voltages)]
    logs = np.array([*(way.log_evidence for way in ways), foreign])
    if log_sum(np.array([way.log_evidence for way in alike])) - log_sum(logs) < math.log(CLEARLY):
        return None
    # Where views agree on the steps, the likeliest one says what else was held. The same voltage held twice: the longer
    # hold is the better one.
    return max(alike, key=lambda way: (way.share, len(way.plateaus) == len(best.plateaus), way.hold_s))


def turns_with_voltage(plateaus: list[Plateau], values: Sequence[float]) -> bool:
    """Return whether pitch and voltage turn round at the same places (all up where all go down is fine too)."""
    signs = np.sign(np.diff([plateau.level for plateau in plateaus])) * np.sign(np.diff(values))
    signs = signs[np.diff(values) != 0]
    return bool(abs(signs.sum()) >= len(signs) - 1)


def _in_order(plateaus: list[Plateau], voltages: VoltageInput) -> list[Pairing]:
    wanted = len(voltages.values)
    plain = _weighed(plateaus, voltages, tuple(range(wanted)))
    if plain.sound >= DOUBTED_BELOW or wanted < _LEAST_JUDGED or wanted**2 > MOST_TRIES:
        return [plain]
    shifted = [
        _way_without(wanted, (gone,), wanted, (extra,))
        for gone in range(wanted)
        for extra in range(wanted)
        if gone != extra
    ]
    others = [_weighed(plateaus, voltages, way) for way in _likeliest_ways(plateaus, voltages, shifted)]
    best = max(others, key=lambda one: one.log_evidence)
    # Two skipped ones explain less than a wrong voltage unless everything fits without another one.
    if best.sound >= DOUBTED_BELOW and best.log_evidence > plain.log_evidence:
        return [plain, *others]
    return [plain]


def _weighed(plateaus: list[Plateau], voltages: VoltageInput, plateau_of: tuple[int | None, ...]) -> Pairing:
    """Return a way with its evidence: of the voltages that have a plateau by the laws, of the others by none."""
    matched = [j for j, i in enumerate(plateau_of) if i is not None]
    levels = np.array([plateaus[i].level for i in plateau_of if i is not None])
    steps = MeasuredSteps(
        volts=np.array(voltages.values)[matched],
        cents=levels,
        sigma_v=sigmas(voltages)[matched],
        sigma_cents=np.full(len(levels), _SIGMA_CENTS),
        way=ways_of(levels),
        take=np.zeros(len(levels), dtype=np.int64),
    )
    verdict = judge_voltages(steps)
    gone = [j for j, i in enumerate(plateau_of) if i is None]
    off_v, span_v = _from_median(voltages)
    log = verdict.log_evidence + (log_unexplained(off_v[gone], span_v) if gone else 0.0)
    skipped = len(gone) + len(plateaus) - len(matched)
    return Pairing(
        plateaus=plateaus,
        plateau_of=plateau_of,
        log_evidence=log + skipped * math.log(_SKIPPED_SHARE),
        sound=verdict.sound,
    )


def sigmas(voltages: VoltageInput) -> Floats:
    """Return the standard deviation of each voltage as given; of places of a dial, a hundredth of a step at least."""
    if voltages.axis == "positions":
        steps = np.abs(np.diff(voltages.values))
        return np.full(
            len(voltages.values), _EVEN_PLACE * float(np.median(steps[steps > 0])) if np.any(steps > 0) else 1.0
        )
    return typed_sigma_v(np.array(voltages.resolution_v or [np.inf] * len(voltages.values)))


def _from_median(voltages: VoltageInput) -> tuple[Floats, float]:
    values = np.array(voltages.values)
    off = values - float(np.median(values))
    return off, max(2.0 * float(np.median(np.abs(off))), 1e-6)


def _likeliest_ways(
    plateaus: list[Plateau], voltages: VoltageInput, ways: list[tuple[int | None, ...]]
) -> list[tuple[int | None, ...]]:
    """Return the likeliest ways by what a few straight laws leave of the voltages, r.m.s."""
    if len(ways) <= _TRIED:
        return ways
    volts = np.array([[voltages.values[j] for j, i in enumerate(way) if i is not None] for way in ways])
    cents = np.array([[plateaus[i].level for i in way if i is not None] for way in ways])
    octaves = (cents - cents.mean()) / 1200.0
    volts = volts - volts.mean(axis=1, keepdims=True)
    residual = np.full(len(ways), np.inf)
    for power in _QUICK_POWERS:
        place = octaves if power == 0.0 else np.exp2(power * octaves)
        place = place - place.mean(axis=1, keepdims=True)
        shared = (volts * place).sum(axis=1) ** 2 / np.maximum((place**2).sum(axis=1), 1e-30)
        residual = np.minimum(residual, (volts**2).sum(axis=1) - shared)
    return [ways[i] for i in np.argsort(residual, kind="stable")[:_TRIED]]


def _way_without(wanted: int, gone: tuple[int, ...], found: int, extra: tuple[int, ...]) -> tuple[int | None, ...]:
    remaining = iter(i for i in range(found) if i not in extra)
    return tuple(None if j in gone else next(remaining) for j in range(wanted))


def _same_pairing(way: Pairing, other: Pairing, voltages: VoltageInput) -> bool:
    """Return whether two ways give the same pitches to the same voltages."""
    near = _ALIKE * float(np.median(np.abs(np.diff([plateau.level for plateau in other.plateaus]))))
    return len(way.pairs) == len(other.pairs) and all(
        voltages.values[i] == voltages.values[j] and abs(one.level - two.level) <= near
        for (i, one), (j, two) in zip(way.pairs, other.pairs, strict=True)
    )
