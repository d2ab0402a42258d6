"""Findings of the last ten seconds, worked out beside the readings: they arise, and clear when they are mended."""

from __future__ import annotations

import os
import threading
import time
from dataclasses import dataclass
from typing import Any

from listen.api.checking import check
from listen.errors import ListenError
from listen.findings.types import Finding
from listen.watch.types import Arisen, Cleared

SPAN_S = 10.0
_SHORTEST_S = 2.0
_SHARE = 0.03
"""Of a core's time. A check of ten seconds takes a tenth of a second, so that there is one about every three."""
_LEAST_PAUSE_S = 2.5
_ABSENT_RUNS = 2
"""A finding has cleared when so many checks did not show it: one at its limit would come and go."""

Key = tuple[str, str | None]


@dataclass
class _Standing:
    """A finding that was said."""

    severity: str
    absent: int = 0


class PassingFindings:
    """Checks the end of the take again and again.

    Parameters
    ----------
    path : path
        Of the take while it is written.
    settings : dict
        Settings of ``check`` for the build.
    """

    def __init__(self, path: str | os.PathLike[str], settings: dict[str, Any]) -> None:
        self._path, self._settings = path, settings
        self._standing: dict[Key, _Standing] = {}
        self._thread: threading.Thread | None = None
        self._result: tuple[float, tuple[Finding, ...]] | None = None
        self._not_before_s = 0.0
        self._heard_tone = False

    def heard(self, heard_s: float, *, tone: bool) -> list[Arisen | Cleared]:
        """Take note of how much is on the disc; return what arose or cleared.

        Parameters
        ----------
        heard_s : float
        tone : bool
            Whether a tone sounds: silence before the supply is switched on is nothing to report.
        """
        self._heard_tone = self._heard_tone or tone
        changes: list[Arisen | Cleared] = []
        running = self._thread is not None and self._thread.is_alive()
        if not running and self._result is not None:
            time_s, findings = self._result
            self._result = None
            changes = self.take(time_s, findings)
        if not running and self._heard_tone and heard_s >= _SHORTEST_S and time.monotonic() >= self._not_before_s:
            self._thread = threading.Thread(target=self._check, args=(heard_s,), daemon=True, name="listen-findings")
            self._thread.start()
        return changes

    def take(self, time_s: float, findings: tuple[Finding, ...]) -> list[Arisen | Cleared]:
        """Compare what a check found with what stands."""
        found: dict[Key, Finding] = {(f.kind, f.half): f for f in findings if f.severity != "note"}
        changes: list[Arisen | Cleared] = []
        for key, finding in found.items():
            standing = self._standing.get(key)
            if standing is None or standing.severity != finding.severity:
                changes.append(_arisen(time_s, finding))
            self._standing[key] = _Standing(finding.severity)
        for key in [key for key in self._standing if key not in found]:
            standing = self._standing[key]
            standing.absent += 1
            if standing.absent >= _ABSENT_RUNS:
                del self._standing[key]
                changes.append(Cleared(time_s=time_s, kind=key[0], severity=standing.severity, half=key[1]))
        return changes

    def finish(self) -> None:
        """Wait for a check that is at work: the take is about to be closed."""
        if self._thread is not None:
            self._thread.join()

    def _check(self, heard_s: float) -> None:
        start_s = max(0.0, heard_s - SPAN_S)
        begun_s = time.thread_time()
        try:
            result = check(self._path, start_s=start_s, end_s=heard_s, threads=1, **self._settings)
            self._result = heard_s, result.findings
        except ListenError:  # too little of a tone, say: the readings tell
            self._result = heard_s, ()
        finally:
            spent_s = time.thread_time() - begun_s
            self._not_before_s = time.monotonic() + max(_LEAST_PAUSE_S, spent_s / _SHARE)


def _arisen(time_s: float, finding: Finding) -> Arisen:
    return Arisen(
        time_s=time_s,
        kind=finding.kind,
        severity=finding.severity,
        half=finding.half,
        half_known=finding.half_known,
        sentence=finding.sentence,
    )
