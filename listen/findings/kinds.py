"""One record a kind of finding: its name, question, limits, sentences, causes, chart, and what a comparison needs.

``kinds/KIND.toml`` holds all of it; whoever shows, compares or scores a finding asks the record.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Literal

_FOLDER = Path(__file__).with_name("kinds")
_REST = "\n[sentences]"
"""What comes from here on is parsed for kinds that were found alone: reading all of it takes 10 ms."""

KindQuestion = Literal["pitch", "start", "hold", "clean", "recording"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Worst:
    """By which columns of the frames table the worst place of a finding is found.

    Attributes
    ----------
    columns : tuple of str
    how : {'most', 'least', 'power', 'difference'}
        The largest or smallest value; decibels as power; the difference of two columns.
    """

    columns: tuple[str, ...]
    how: Literal["most", "least", "power", "difference"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What a kind of finding is.

    Attributes
    ----------
    key : str
        ``asymmetric-clipping`` and so on, as in the JSON document.
    name : str
        A few words for lists.
    question : {'pitch', 'start', 'hold', 'clean', 'recording'}
        Which of the four answers it belongs to, or the recording.
    unit : str
        Of its limits.
    limits : mapping of str to float
    limits_of : mapping
        ``gain_control`` and ``wave``: limits that differ where one is stated.
    measure, compared_in : str or None
        The number that is held against the limits and compared, and its unit.
    falling : bool
        Less is worse.
    asks : str or None
        The question that another take must answer to show it.
    chart : str
        The chart in which it is seen best.
    worst : Worst or None
    """

    key: str
    name: str
    question: KindQuestion
    unit: str
    limits: Mapping[str, float]
    limits_of: Mapping[str, Mapping[str, Mapping[str, float]]]
    measure: str | None
    compared_in: str | None
    falling: bool
    asks: str | None
    chart: str
    worst: Worst | None
    _rest: str = field(repr=False)

    @property
    def of_the_recording(self) -> bool:
        """Whether it is the recording's, not the board's."""
        return self.question == "recording"

    @property
    def sentences(self) -> Mapping[str, str]:
        """Sentences by variant; names in braces are fields of what was measured."""
        found: Mapping[str, str] = _rest_of(self.key)["sentences"]
        return found

    @property
    def bench(self) -> Mapping[str, Any]:
        """Causes and checks, and cases in which others come first."""
        found: Mapping[str, Any] = _rest_of(self.key)["bench"]
        return found


@cache
def all_kinds() -> Mapping[str, Kind]:
    """Return every kind, by its key."""
    return {path.stem: _read(path) for path in sorted(_FOLDER.glob("*.toml"))}


def kind_of(key: str) -> Kind:
    """Return the record of a kind.

    Raises
    ------
    KeyError
        There is none: a document of a later version may name it.
    """
    return all_kinds()[key]


def name_of(key: str) -> str:
    """Return the name of a kind; a kind that is not known is its own name."""
    known = all_kinds().get(key)
    return known.name if known else key


def _read(path: Path) -> Kind:
    head, _, rest = path.read_text("utf-8").partition(_REST)
    table = tomllib.loads(head)
    worst = table.get("worst")
    return Kind(
        key=path.stem,
        name=table["name"],
        question=table["question"],
        unit=table["unit"],
        limits={key: float(value) for key, value in table["limits"].items()},
        limits_of=table.get("limits_of", {}),
        measure=table.get("measure"),
        compared_in=table.get("compared_in"),
        falling=bool(table.get("falling", False)),
        asks=table.get("asks"),
        chart=table["chart"],
        worst=Worst(columns=tuple(worst["columns"]), how=worst.get("as", "most")) if worst else None,
        _rest=_REST + rest,
    )


@cache
def _rest_of(key: str) -> Mapping[str, Any]:
    return tomllib.loads(all_kinds()[key]._rest)
