"""Rules of the level: drift along the tuning, or in time."""

from __future__ import annotations

import numpy as np

from listen.account import Account
from listen.account.level_law import ONE_NOTE, LevelLaw
from listen.findings import measured
from listen.findings.candidate import Candidate
from listen.findings.limits import Limits, severity_of
from listen.sorting import median

_WORST = ("none", "attention", "fault")
_OFF = 0.35
"""Places are told where the level is off its middle by this part of the whole span: the ends of it, for with a half of
the span none might be."""
_MOST_OF_IT = 0.5
"""A level that moves by half of its span or more while the pitch rests moves in time there, not from pass to pass."""


def level_candidates(account: Account, limits: Limits) -> list[Candidate]:
    """Level drift after the effects of clipping, slewing and the input's coupling are removed."""
    law, row = account.law, limits["level-drift"]
    if law is None:
        return []
    by_pitch, by_time = severity_of(law.span_db, row), severity_of(law.time_span_db, row)
    severity = max((by_pitch, by_time), key=lambda v: _WORST.index(v or "none"))
    if severity is None:
        return []
    in_time = by_pitch is None or (law.one_note and by_time is not None)
    values, span = (law.rest_db, law.time_span_db) if in_time else (law.law_db, law.span_db)
    times = law.rest_time_s if in_time else law.time_s
    off = np.flatnonzero(np.abs(values - median(values)) > _OFF * span)
    place = off if len(off) else np.arange(len(values))
    pitches = np.interp(times[place], law.time_s, law.f0_hz)
    highest_s, lowest_s = times[int(np.argmax(values))], times[int(np.argmin(values))]
    return [
        Candidate(
            kind="level-drift",
            severity=severity,
            start_s=float(times[place[0]]),
            end_s=float(times[place[-1]]),
            f0_low_hz=float(pitches.min()),
            f0_high_hz=float(pitches.max()),
            measured=measured.LevelSpan(
                span_db=span,
                highest_at_hz=float(np.interp(highest_s, law.time_s, law.f0_hz)) if in_time else law.highest_hz,
                lowest_at_hz=float(np.interp(lowest_s, law.time_s, law.f0_hz)) if in_time else law.lowest_hz,
                highest_dbfs=float(law.law_db.max()),
                lowest_dbfs=float(law.law_db.min()),
            ),
            variant="plain" if not in_time else "time" if _moves_at_rest(law) else "passes",
            part=account.id_of("law"),
        )
    ]


def _moves_at_rest(law: LevelLaw) -> bool:
    """Whether most of what moves in time moves while the pitch stays where the level is lowest, or highest."""
    f0_hz = np.interp(law.rest_time_s, law.time_s, law.f0_hz)
    for place in (int(np.argmin(law.rest_db)), int(np.argmax(law.rest_db))):
        away = np.flatnonzero(np.abs(np.log(f0_hz / f0_hz[place])) > np.log(ONE_NOTE))
        first = int(away[away < place][-1]) + 1 if (away < place).any() else 0
        stop = int(away[away > place][0]) if (away > place).any() else len(f0_hz)
        if float(np.ptp(law.rest_db[first:stop])) >= _MOST_OF_IT * law.time_span_db:
            return True
    return False
