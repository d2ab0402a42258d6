"""Guides: what to do, what is waited for, what was seen; as found and as left for the logbook."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from importlib import resources
from typing import Any

from listen.watch.screen.board import Board

GUIDES = ("start", "symmetry", "scale", "top")
_WAITS = {
    "rest": "for a tone at rest for half a second",
    "silent": "for silence",
    "started": "for a start, and a level at rest",
    "restarted": "for silence, a start, and a level at rest",
    "turned": "for a change, then half a second at rest",
    "alternated": "for three alternations",
    "realternated": "for three more alternations",
    "higher": "for a higher note at rest",
}
_CHANGED_DB = 0.5
_CHANGED_SHARE = 0.03
_HIGHER = 1.4
_ENOUGH_ALTERNATIONS = 3
_AS_GOOD_DB = 1.0
_LET_GO_DB = 0.3
_SPAN_S = 0.5
"""A board at rest has been so for this long."""
_BEFORE_START_S = 0.5
"""Of silence before a start: a growth is read from the noise upward."""


@dataclass(slots=True)
class Noted:
    """Readings at rest: from when to when, what they were, and whether a start is among what was heard."""

    start_s: float
    end_s: float
    values: dict[str, float]
    start: bool = False


@dataclass(slots=True)
class Guide:
    """One guide, followed by the readings.

    Attributes
    ----------
    name : str
    number : int
        The step, from 0.
    seen : list of Noted
        What was noted, one a step that was fulfilled; the first is as found, the last as left.
    """

    name: str
    quantity: str = ""
    number: int = 0
    seen: list[Noted] = field(default_factory=list)
    _steps: list[dict[str, Any]] = field(default_factory=list)
    _met: bool = False
    _saw: str = ""
    _stirred: bool = False
    _alternations: int = 0
    _grown_from_s: float | None = None

    @property
    def found(self) -> Noted | None:
        """As found, once something was turned: of the guide to the start, the first start."""
        ends = self._ends()
        return ends[0] if len(ends) > 1 else None

    @property
    def left(self) -> Noted | None:
        """As left."""
        ends = self._ends()
        return ends[-1] if len(ends) > 1 else None

    def _ends(self) -> list[Noted]:
        return [noted for noted in self.seen if noted.start] if self.quantity == "start" else self.seen

    def lines(self) -> tuple[str, ...]:
        """Return the three lines: what to do, what is waited for, what was seen."""
        step = self._steps[self.number]
        head = f"{self.name} {self.number + 1} of {len(self._steps)}   "
        waits = "Return goes on, b goes back" if self._met else f"waiting {_WAITS[step['waits']]}"
        if self._met and step.get("again"):
            waits = "Return turns once more, q is done"
        return (head + str(step["do"]), " " * len(head) + waits, " " * len(head) + self._saw)

    def look(self, board: Board) -> None:
        """Take note of the board after an event."""
        if board.reading is not None and board.reading.state != "steady":
            self._stirred = True
        waits = self._steps[self.number]["waits"]
        if self._met:
            self._rest_on(board)
            return
        if not self._fulfilled(waits, board):
            return
        self._met = True
        values = _values(board)
        before = self.seen[-1].values if self.seen else {}
        if waits != "silent" and board.reading is not None:
            heard_s = board.reading.heard_s
            since_s = heard_s - _SPAN_S
            grown_from_s = board.grown_from_s if waits in ("started", "restarted") else None
            if grown_from_s is not None:
                since_s = grown_from_s - _BEFORE_START_S  # the growth tells the gain in hand
            self.seen.append(Noted(max(0.0, since_s), heard_s, values, grown_from_s is not None))
        self._saw = self._steps[self.number]["saw"].format_map(_Words(values, before))
        self._stirred = False
        self._alternations = board.interval.alternations if board.interval is not None else 0
        self._grown_from_s = board.grown_from_s

    def _rest_on(self, board: Board) -> None:
        """What was noted lasts until something moves or changes again."""
        if self.seen and board.at_rest and not self._stirred and board.reading is not None:
            if not _changed(_values(board), self.seen[-1].values):
                self.seen[-1].end_s = board.reading.heard_s

    def on(self, board: Board) -> None:
        """Go on to the next step, or turn once more."""
        if not self._met:
            return
        step = self._steps[self.number]
        if not step.get("again"):
            self.number = min(self.number + 1, len(self._steps) - 1)
        self._met, self._stirred = False, False
        self._alternations = board.interval.alternations if board.interval is not None else 0

    def back(self) -> None:
        """Go back a step."""
        self.number = max(0, self.number - 1)
        self._met, self._saw = False, ""

    def _fulfilled(self, waits: str, board: Board) -> bool:
        if waits == "silent":
            return board.reading is not None and board.reading.state == "silent"
        if waits in ("alternated", "realternated"):
            found = board.interval
            least = self._alternations if waits == "realternated" else 0
            return found is not None and found.alternations >= least + _ENOUGH_ALTERNATIONS
        if not board.at_rest:
            return False
        if waits == "rest":
            return True
        if waits in ("started", "restarted"):
            return self._stirred and board.grown_from_s is not None and board.grown_from_s != self._grown_from_s
        now, before = _values(board), self.seen[-1].values if self.seen else {}
        if waits == "higher":
            return now.get("hz", 0.0) > _HIGHER * before.get("hz", 0.0)
        # the hand has let go: the readings no longer drift
        return _changed(now, before) and board.spread("h2_dbc") < _LET_GO_DB and board.spread("level_dbfs") < _LET_GO_DB


def load_guide(name: str) -> Guide:
    """Return a guide by name."""
    text = resources.files("listen.watch").joinpath("guides.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)[name]
    return Guide(name=name, quantity=table["quantity"], _steps=table["steps"])


def _changed(now: dict[str, float], before: dict[str, float]) -> bool:
    """Whether a trimmer was turned: the second harmonic, the distortion or the level is another one."""
    for name, least in (("h2", _CHANGED_DB), ("level", _CHANGED_DB)):
        if name in now and name in before and abs(now[name] - before[name]) > least:
            return True
    return "thd" in now and "thd" in before and abs(now["thd"] / before["thd"] - 1.0) > _CHANGED_SHARE


def _values(board: Board) -> dict[str, float]:
    names = {"hz": "f0_hz", "thd": "thd_percent", "h2": "h2_dbc", "h3": "h3_dbc", "level": "level_dbfs"}
    values = {name: value for name, key in names.items() if (value := board.median_of(key)) is not None}
    if board.start_s is not None:
        values["start"] = board.start_s
    if board.interval is not None:
        values |= {"cents": board.interval.error_cents, "upper": board.interval.high_hz}
    return values


class _Words(dict[str, str]):
    """Readings as words; the change since the last step, and what it asks for."""

    def __init__(self, now: dict[str, float], before: dict[str, float]) -> None:
        digits = {"hz": ".1f", "thd": ".2f", "h2": ".0f", "h3": ".0f", "level": ".1f", "start": ".2f", "cents": "+.2f"}
        super().__init__({name: format(now[name], form) for name, form in digits.items() if name in now})
        if "h2" in now and "h2" in before:
            change_db = now["h2"] - before["h2"]
            self["db"] = f"{abs(change_db):.0f}"
            self["verdict"] = "fell" if change_db < 0 else "rose"
            self["advice"] = "go on the same way" if change_db < -_AS_GOOD_DB else "turn back a little"
            if abs(change_db) <= _AS_GOOD_DB or now["h2"] < now.get("h3", 0.0) - 6.0:
                self["advice"] = "it no longer falls: leave it"
        if "cents" in now and "cents" in before:
            self["advice"] = (
                "turn the same way on" if abs(now["cents"]) < abs(before["cents"]) else "turn the other way"
            )
            if abs(now["cents"]) < 1.0:
                self["advice"] = "leave it"
            elif "upper" in now:
                self["advice"] += f"; the upper note should read {now['upper'] * 2 ** (-now['cents'] / 1200):.1f} Hz"

    def __missing__(self, key: str) -> str:
        return "?"


def change_in_words(guide: Guide) -> str | None:
    """Return what a guided session changed, as a note for the logbook; None where nothing was turned.

    Examples
    --------
    >>> guide = load_guide("symmetry")
    >>> guide.seen = [Noted(0, 1, {"thd": 1.3, "h2": -38.0}), Noted(5, 6, {"thd": 0.4, "h2": -62.0})]
    >>> change_in_words(guide)
    'guide symmetry: THD 1.30 to 0.40 %, H2 -38 to -62 dB'
    """
    if guide.found is None or guide.left is None:
        return None
    forms = [
        ("thd", "THD", ".2f", "%"),
        ("h2", "H2", ".0f", "dB"),
        ("h3", "H3", ".0f", "dB"),
        ("start", "start", ".2f", "s"),
        ("cents", "interval off", "+.2f", "cents"),
    ]
    before, after = guide.found.values, guide.left.values
    said = [
        f"{word} {before[name]:{form}} to {after[name]:{form}} {unit}"
        for name, word, form, unit in forms
        if name in before and name in after
    ]
    return f"guide {guide.name}: {', '.join(said)}"
