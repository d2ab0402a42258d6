"""Outliers among the voltages: mistyped, exchanged with a neighbour, or not the voltage that was held.

Every hypothesis - no voltage is wrong, one is, two neighbours are exchanged, several are - has a posterior probability
(Bayes' rule over `law_evidence`). A table is doubted where no error at all is unlikely.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from listen.calibration.law_evidence import LawEvidence, MeasuredSteps, law_evidence, log_sum
from listen.calibration.types import Floats

WRONG_SHARE = 0.01
"""Prior probability that a voltage was typed wrong (about one number in a hundred; common practice, no source)."""
EXCHANGED_SHARE = 0.002
DOUBTED_BELOW = 0.5
"""A table is doubted where the probability that nothing is wrong is below this: an error is likelier than none."""
_NAMED_FROM = 0.2
_ALIKE_V = 0.02
_WIDTH, _MOST_SHARE = 6, 0.34
"""So many sets are carried on to the next size; at most this part of the voltages is wrong."""
_HOPELESS = 3.0
"""One more wrong voltage that makes a set less likely by a factor of twenty ends the search."""
_AS_KNOWN = 2.5
"""Noise over what is known of it, up to which no set of several wrong voltages hides in it."""
_BLOCK = 24
_LEAST_REMAINING = 3

StepNumbers = frozenset[int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlier:
    """A voltage that does not fit the others.

    Attributes
    ----------
    row : int
    fits_v : float
        The voltage that would fit.
    sigma_v : float
    probability : float
        Of being wrong.
    exchanged_with : int or None
        The row whose voltage it would fit.
    """

    row: int
    fits_v: float
    sigma_v: float
    probability: float
    exchanged_with: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VoltageVerdict:
    """What a table says of its voltages.

    Attributes
    ----------
    log_evidence : float
        Of the table, over all hypotheses.
    sound : float
        Posterior probability that no voltage is wrong.
    outliers : tuple of Outlier
        Empty where the table is not doubted; the likeliest first.
    """

    log_evidence: float
    sound: float
    outliers: tuple[Outlier, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    """A hypothesis: rows whose voltage is wrong (or exchanged), and which row has the voltage of which."""

    wrong: StepNumbers
    log_probability: float
    log_prior: float = 0.0
    exchanged: tuple[tuple[int, int], ...] = ()


def judge_voltages(steps: MeasuredSteps, entries: np.ndarray | None = None) -> VoltageVerdict:
    """Judge the voltages of a table.

    Parameters
    ----------
    steps : Readings
        Rows in the order in which they were typed.
    entries : ndarray of int, shape (n,), optional
        Which typed voltage a row has, in the order of the list: several takes may have been given the same list. The
        row's own number where not given.

    Returns
    -------
    Verdict

    Notes
    -----
    A long table is judged in blocks of some twenty steps that are neighbours in pitch: a law is a law over any part.
    """
    n = len(steps.volts)
    entries = np.arange(n) if entries is None else entries
    blocks = np.array_split(np.argsort(steps.cents, kind="stable"), max(1, math.ceil(n / _BLOCK)))
    log_evidence, sound = 0.0, 1.0
    outliers: list[Outlier] = []
    for block in blocks:
        at = np.sort(block)
        verdict = _judge_block(steps.chosen(at), entries[at])
        log_evidence += verdict.log_evidence
        sound = min(sound, verdict.sound)
        outliers += [
            replace(
                one,
                row=int(at[one.row]),
                exchanged_with=None if one.exchanged_with is None else int(at[one.exchanged_with]),
            )
            for one in verdict.outliers
        ]
    return VoltageVerdict(
        log_evidence=log_evidence, sound=sound, outliers=tuple(sorted(outliers, key=lambda one: -one.probability))
    )


def log_unexplained(off_v: Floats, span_v: float) -> float:
    """Return the log density of voltages that no law explains: Cauchy's, of the table's span."""
    return -float(np.sum(np.log(np.pi * span_v * (1.0 + (np.asarray(off_v) / span_v) ** 2))))


def _judge_block(steps: MeasuredSteps, entries: np.ndarray) -> VoltageVerdict:
    evidence = law_evidence(steps)
    if evidence is None:
        return VoltageVerdict(log_evidence=log_unexplained(steps.volts, 1.0), sound=1.0, outliers=())
    plain = _Candidate(wrong=frozenset(), log_probability=evidence.log_total())
    several = evidence.typical_noise() > _AS_KNOWN
    found = [plain, *_exchanges(evidence, entries), *_wrong_ones(evidence, entries, several=several)]
    logs = np.array([one.log_probability for one in found])
    total = log_sum(logs)
    share = np.exp(logs - total)
    sound = float(share[0])
    outliers = () if sound >= DOUBTED_BELOW else _named(steps, evidence, found, share)
    return VoltageVerdict(log_evidence=total, sound=sound, outliers=outliers)


def _wrong_ones(evidence: LawEvidence, entries: np.ndarray, *, several: bool) -> Iterator[_Candidate]:
    """Yield sets of rows whose voltage may be wrong: each row, all of one entry, then these beside the likeliest."""
    n = len(entries)
    units = {frozenset((i,)) for i in range(n)}
    units |= {frozenset(np.flatnonzero(entries == entry).tolist()) for entry in np.unique(entries)}
    prior = {
        unit: math.log(WRONG_SHARE) + log_unexplained(evidence.volts[[min(unit)]], evidence.span_v) for unit in units
    }
    each = evidence.log_without_each()
    tried: set[StepNumbers] = set()
    front = [_Candidate(wrong=frozenset(), log_probability=0.0)]
    best = -math.inf
    for _ in range(max(1, int(_MOST_SHARE * n)) if several else 1):
        scored: dict[StepNumbers, _Candidate] = {}
        for base in front:
            for unit in units:
                wrong = base.wrong | unit
                if unit & base.wrong or wrong in tried or n - len(wrong) < _LEAST_REMAINING:
                    continue
                log_prior = base.log_prior + prior[unit]
                log = float(each[min(wrong)]) if len(wrong) == 1 else evidence.log_without(sorted(wrong))
                known = scored.get(wrong)
                if known is None or known.log_prior < log_prior:
                    scored[wrong] = _Candidate(wrong=wrong, log_probability=log + log_prior, log_prior=log_prior)
        tried.update(scored)
        yield from scored.values()
        front = sorted(scored.values(), key=lambda one: -one.log_probability)[:_WIDTH]
        if not front or front[0].log_probability < best - _HOPELESS:
            return
        best = max(best, front[0].log_probability)


def _exchanges(evidence: LawEvidence, entries: np.ndarray) -> Iterator[_Candidate]:
    """Yield neighbours in the list whose voltages may be exchanged."""
    for entry in np.unique(entries):
        one, other = np.flatnonzero(entries == entry), np.flatnonzero(entries == entry + 1)
        if len(one) != len(other) or abs(evidence.volts[other[0]] - evidence.volts[one[0]]) < _ALIKE_V:
            continue
        volts = evidence.volts.copy()
        volts[one], volts[other] = evidence.volts[other], evidence.volts[one]
        yield _Candidate(
            wrong=frozenset([*one.tolist(), *other.tolist()]),
            log_probability=evidence.log_with(volts) + math.log(EXCHANGED_SHARE),
            exchanged=tuple((int(a), int(b)) for a, b in zip(one, other, strict=True)),
        )


def _named(
    steps: MeasuredSteps, evidence: LawEvidence, found: list[_Candidate], share: np.ndarray
) -> tuple[Outlier, ...]:
    """Name each row that is probably wrong, with what would fit by the likeliest hypothesis that it is in."""
    middle = float(np.median(steps.volts))
    best = found[int(np.argmax(share[1:])) + 1]
    out = []
    for row in range(len(steps.volts)):
        holds = [k for k, one in enumerate(found) if row in one.wrong]
        probability = float(share[holds].sum()) if holds else 0.0
        if probability < _NAMED_FROM and row not in best.wrong:
            continue
        likeliest = found[max(holds, key=lambda k: share[k])]
        other = _partner(likeliest, row)
        if other is not None:
            fits_v, sigma_v = float(steps.volts[other]), float(steps.sigma_v[other])
        else:
            left_out = sorted(likeliest.wrong)
            predicted = evidence.predicted(left_out)
            place = left_out.index(row)
            fits_v, sigma_v = middle + float(predicted.mean_v[place]), float(predicted.sigma_v[place])
        out.append(
            Outlier(
                row=row,
                fits_v=fits_v,
                sigma_v=sigma_v,
                probability=min(1.0, probability),
                exchanged_with=other,
            )
        )
    return tuple(out)


def _partner(candidate: _Candidate, row: int) -> int | None:
    """Return the row whose voltage a row has by a hypothesis."""
    for one, other in candidate.exchanged:
        if row in (one, other):
            return other if row == one else one
    return None
