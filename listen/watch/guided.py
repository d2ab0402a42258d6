"""What a guided session leaves: two checks of the take, as found and as left."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import Any, Literal

from listen.api.checking import CheckResult, check
from listen.circuit.types import Advice
from listen.errors import ListenError
from listen.report.circuit_lines import circuit_lines
from listen.watch.guides import Guide, change_in_words


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Guided:
    """One end of a guided session."""

    state: Literal["as-found", "as-left"]
    note: str
    result: CheckResult

    @property
    def circuit(self) -> str:
        """What this end tells of the circuit, and which resistor to change; empty where it tells nothing."""
        circuit = self.result.circuit
        said = list(circuit_lines(circuit, self.result.capture.polarity_known))
        said += [advice_in_words(item) for item in (circuit.advice if circuit is not None else ())]
        return "; ".join(said)


def advice_in_words(advice: Advice) -> str:
    """Say which resistor to change, and what that does.

    Parameters
    ----------
    advice : Advice

    Examples
    --------
    >>> advice_in_words(Advice(part="rf_ohm", from_value=22e3, to_value=20.6e3, predicts={"h3_percent": (3.3, 1.0)}))
    'change rf_ohm from 22000 to 20600: H3 3.3 to 1.0 %'
    """
    forms = (
        ("gain_in_hand_percent", "gain in hand", ".1f", " %"),
        ("h3_percent", "H3", ".1f", " %"),
        ("mismatch_survived_percent", "mismatch survived", ".1f", " %"),
        ("start_s", "start", ".2f", " s"),
    )
    does = [
        f"{word} {advice.predicts[name][0]:{form}} to {advice.predicts[name][1]:{form}}{unit}"
        for name, word, form, unit in forms
        if name in advice.predicts
    ]
    return f"change {advice.part} from {advice.from_value:g} to {advice.to_value:g}: {', '.join(does)}"


def guided_results(guide: Guide, path: str | os.PathLike[str], settings: dict[str, Any]) -> list[Guided]:
    """Check the rests before the first and after the last turn.

    Parameters
    ----------
    guide : Guide
    path : path
        The take.
    settings : dict
        As for the check of the whole.

    Returns
    -------
    list of Guided
        As found, as left; none where nothing was turned.
    """
    note = change_in_words(guide)
    if note is None or guide.found is None or guide.left is None:
        return []
    out = []
    for state, noted in (("as-found", guide.found), ("as-left", guide.left)):
        try:
            result = check(path, start_s=noted.start_s, end_s=noted.end_s, **settings)
        except ListenError:  # too short to be judged: the check of the whole take stands
            return []
        end = Guided(state=state, note=note, result=result)  # type: ignore[arg-type]
        out.append(replace(end, note="; ".join(part for part in (note, end.circuit) if part)))
    return out
