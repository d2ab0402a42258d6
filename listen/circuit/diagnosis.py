"""From a kind of finding, and what is known of the build, to causes and next checks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from listen.findings import all_kinds, half_fields, kind_of
from listen.findings.measured import Measured

LONGEST = 4
"""More than four lines are not read at the bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What may lie behind a finding, and what to do next, likeliest first.

    Attributes
    ----------
    likely_causes : tuple of str
        Two to four (one where there is only one), each a line without a full stop.
    next_checks : tuple of str
        The same, in the order in which they are best done.
    """

    likely_causes: tuple[str, ...]
    next_checks: tuple[str, ...]


def known_kinds() -> tuple[str, ...]:
    """Return every kind of finding that has causes."""
    return tuple(all_kinds())


def diagnose(
    kind: str,
    *,
    half: str | None = None,
    half_known: bool = False,
    topology: str | None = None,
    gain_control: str | None = None,
    wave: str | None = None,
    measured: Measured | None = None,
) -> Diagnosis:
    """Return the likely causes and next checks of one finding.

    What is known of the build comes first, what holds for any build after it.

    Parameters
    ----------
    kind : str
        A kind of finding, for example ``asymmetric-clipping``.
    half : {'positive', 'negative', 'both'}, optional
        The half of the wave that the finding names.
    half_known : bool
        The recorder's polarity is stated: the half is the circuit's; else it is that of the recording.
    topology, gain_control, wave : str, optional
        As in the bench file; None where nobody said.
    measured : Measured, optional
        The numbers of the finding.

    Returns
    -------
    Diagnosis

    Raises
    ------
    ValueError
        The kind has no causes.

    Notes
    -----
    Causes and checks are common practice, no source; they live in the kinds' records.

    Examples
    --------
    >>> diagnose("slow-start").likely_causes[0]
    "the loop's gain is only just above what it needs to start"
    """
    if kind not in all_kinds():
        raise ValueError(f"no causes for the kind {kind!r}")
    entry = kind_of(kind).bench
    known = {"half": half, "topology": topology, "gain_control": gain_control, "wave": wave}
    fitting = [case for case in entry.get("when", ()) if _fits(case, known, measured)]
    name = half_fields(half, half_known)
    return Diagnosis(
        likely_causes=_first(_lines("causes", [*fitting, entry]), name),
        next_checks=_first(_lines("checks", [*fitting, entry]), name),
    )


def _fits(case: Mapping[str, Any], known: Mapping[str, str | None], measured: Measured | None) -> bool:
    """Say whether all that a variant asks for is so; what is not known does not fit."""
    named = (known[key] in case[key] for key in known if key in case)
    numbers = (_meets(getattr(measured, key, None), test) for key, test in case.get("evidence", {}).items())
    return all(named) and all(numbers)


def _meets(value: float | int | str | bool | None, test: Mapping[str, Any]) -> bool:
    """Hold one number of the evidence against ``above``, ``below`` or ``is``."""
    if value is None:
        return False
    if "is" in test and value != test["is"]:
        return False
    if isinstance(value, str):
        return "is" in test
    below: float = test.get("below", float("inf"))
    above: float = test.get("above", float("-inf"))
    return below > value > above


def _lines(key: str, cases: Iterable[Mapping[str, Any]]) -> Iterable[str]:
    for case in cases:
        yield from case.get(key, ())


def _first(lines: Iterable[str], half: Mapping[str, str]) -> tuple[str, ...]:
    """Return the first few lines, each once, with the half put in."""
    return tuple(dict.fromkeys(line.format_map(half) for line in lines))[:LONGEST]
