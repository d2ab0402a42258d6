"""What must not be lost with the screen: why the hearing ended, what never came, what became of the source."""

from __future__ import annotations

from listen.watch.plain import clock
from listen.watch.types import Event, LostTime, SourceChanged, Summary

_MOST = 5


class Afterwards:
    """Collects what is said once more at the end.

    Parameters
    ----------
    said : bool
        Whether what happened was said in lines that stand: then only the reason is left to say.
    """

    def __init__(self, *, said: bool) -> None:
        self._said = said
        self._lines: list[str] = []
        self._lost_s = 0.0

    def tell(self, event: Event) -> None:
        """Take an event."""
        if isinstance(event, SourceChanged) and not self._said:
            self._lines.append(f"at {clock(event.time_s)} {event.sentence}")
        elif isinstance(event, LostTime) and not self._said:
            self._lost_s += event.seconds
            self._lines.append(f"{event.seconds:.2f} s of samples were lost before {clock(event.time_s)}")
        elif isinstance(event, Summary) and event.reason == "source lost":
            self._lines.append(f"the source went away at {clock(event.heard_s)}: unplugged, or its program ended")

    def lines(self) -> list[str]:
        """Return the sentences; of many the first ones, and how much was lost in all."""
        if len(self._lines) <= _MOST:
            return list(self._lines)
        return [*self._lines[:_MOST], f"and more; {self._lost_s:.2f} s of samples were lost in all", self._lines[-1]]
