"""Causes ranked for this build: weights from the table of evidence, with what speaks for and against each."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from listen.account import Account
from listen.circuit.facts import Fact, facts_of
from listen.circuit.known import KnownBuild
from listen.circuit.types import Cause, CauseCheck, Circuit, Evidence, RankedCauses, Standing
from listen.findings import if_upright
from listen.findings.types import Finding

_LIKELY = 0.25
"""Share of all weight from which a cause is called likely."""
_SHARE_OF_FIRST = 0.35
"""... and of the first cause's."""


@cache
def evidence_table() -> dict[str, Any]:
    """Return the table of evidence, as its file has it."""
    return tomllib.loads((Path(__file__).parent / "evidence.toml").read_text(encoding="utf-8"))


def rank_causes(
    circuit: Circuit,
    account: Account,
    findings: Sequence[Finding],
    known: KnownBuild,
) -> tuple[RankedCauses, ...]:
    """Rank the causes of each finding, and of a range that the parts do not explain.

    Parameters
    ----------
    circuit : Circuit
    account : Account
    findings : sequence of Finding
    known : KnownBuild
        Where it lacks the polarity, what holds a half against a supply says that it assumes an upright recorder.
    """
    out = []
    for finding in findings:
        facts = facts_of(circuit, account, finding, known)
        ranked = ranked_for(finding.kind, facts, known.polarity_known)
        if ranked:
            pairs, take = _undecided(finding.kind, facts, ranked)
            out.append(
                RankedCauses(
                    finding=finding.kind,
                    start_s=finding.start_s,
                    end_s=finding.end_s,
                    ranked=ranked,
                    undecided=pairs,
                    take=take,
                )
            )
    if circuit.expected_pitch is not None and circuit.expected_pitch.outside():
        facts = facts_of(circuit, account, None, known)
        times = account.frames.time_s
        ranked = ranked_for("pitch", facts)
        out.append(RankedCauses(finding="pitch", start_s=float(times[0]), end_s=float(times[-1]), ranked=ranked))
    return tuple(out)


def ranked_for(kind: str, facts: Mapping[str, Fact], polarity_known: bool = False) -> tuple[Cause, ...]:
    """Rank the causes of one kind of finding by the facts, likeliest first."""
    found = [
        (name, *_weighed(entry, kind, facts, polarity_known), entry)
        for name, entry in evidence_table()["cause"].items()
        if kind in entry["findings"] and _asked(entry.get("where", ()), facts)
    ]
    total = sum(weight for _, weight, *_ in found) or 1.0
    first = max((weight for _, weight, *_ in found), default=0.0)
    causes = [
        Cause(
            id=name,
            weight=weight / total,
            standing=_standing(weight / total, weight / first if first else 0.0, shown),
            in_favour=tuple(favour),
            against=tuple(against),
            missing=tuple(missing),
            check=CauseCheck(do=entry["do"], if_so=entry["if_so"], if_not=entry["if_not"]),
        )
        for name, weight, shown, favour, against, missing, entry in found
    ]
    return tuple(sorted(causes, key=lambda cause: -cause.weight))


def _asked(tests: Sequence[Mapping[str, Any]], facts: Mapping[str, Fact]) -> bool:
    """Whether all facts without which a cause is not asked about are so."""
    values = [(facts[test["fact"]], test) for test in tests]
    return all(value is not None and meets(value, test) for value, test in values)


def _weighed(
    entry: Mapping[str, Any], kind: str, facts: Mapping[str, Fact], polarity_known: bool
) -> tuple[float, bool, list[Evidence], list[Evidence], list[str]]:
    weight, shown = float(entry["findings"][kind]), False
    favour: list[Evidence] = []
    against: list[Evidence] = []
    missing: list[str] = []
    for sign in entry.get("sign", ()):
        if "only" in sign and kind not in sign["only"]:
            continue
        value = facts[sign["fact"]]
        if value is None:
            missing += [sign["needs"]] if "needs" in sign else []
            continue
        if not meets(value, sign):
            continue
        weight *= sign["times"]
        shown |= sign.get("shows", False)
        sided = if_upright(polarity_known or not sign.get("of_one_rail", False))
        item = Evidence(key=sign["fact"], value=value, says=sign["says"] + sided)
        (favour if sign["times"] >= 1 else against).append(item)
    return weight, shown, favour, against, missing


def meets(value: float | str, test: Mapping[str, Any]) -> bool:
    """Hold a fact against ``is``, ``in``, ``above`` or ``below``."""
    if isinstance(value, str):
        return value == test.get("is") or value in test.get("in", ())
    if "is" in test or "in" in test:
        return False
    return bool(test.get("above", float("-inf")) < value < test.get("below", float("inf")))


def _standing(share: float, of_first: float, shown: bool) -> Standing:
    if share == 0.0:
        return "excluded"
    if shown and of_first > _SHARE_OF_FIRST:
        return "shown"
    return "likely" if share > _LIKELY and of_first > _SHARE_OF_FIRST else "possible"


def _undecided(
    kind: str, facts: Mapping[str, Fact], ranked: Sequence[Cause]
) -> tuple[tuple[tuple[str, str], ...], str | None]:
    """Pairs that this recording cannot tell apart, and the take that would."""
    standing = {cause.id: cause.standing for cause in ranked}
    pairs: list[tuple[str, str]] = []
    take: str | None = None
    for item in evidence_table().get("undecided", ()):
        a, b = item["pair"]
        if kind not in item["findings"] or "excluded" in (standing.get(a), standing.get(b)):
            continue
        unless = item.get("unless")
        value = facts[unless["fact"]] if unless else None
        if unless and value is not None and meets(value, unless):
            continue
        pairs.append((a, b))
        take = take or item["take"]
    return tuple(pairs), take
