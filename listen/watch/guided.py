"""What a guided session leaves: two checks of the take, as found and as left."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import Any, Literal

from listen.api.checking import CheckResult, check
from listen.errors import ListenError
from listen.report.circuit_lines import advice_in_words, circuit_lines
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
