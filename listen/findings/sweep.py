"""Figures of the take: medians per third of an octave, a summary, and questions left open."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account, Start, figure_rows, worst_distortion_row
from listen.findings.types import NotShown, SweepRow
from listen.sorting import distinct, median, median_of_known, quantile_of_known
from listen.track import Frames
from listen.units import third_edges_hz, third_index

Floats = NDArray[np.floating[Any]]


def _median(values: Floats) -> float | None:
    finite = values[np.isfinite(values)]
    return median(finite) if len(finite) else None


def sweep_rows(account: Account) -> tuple[SweepRow, ...]:
    """Medians of each third of an octave that the board's tone passes through, lowest first."""
    frames = account.recorded
    tone = frames.oscillating & np.isfinite(frames.f0_hz)
    if account.is_oscillator and account.tone is not None:
        tone = tone & account.tone.rows
    if not tone.any():
        return ()
    hop = float(frames.time_s[1] - frames.time_s[0]) if len(frames) > 1 else 0.02
    index = np.array([third_index(float(f)) for f in frames.f0_hz[tone]])
    rows = []
    for i in distinct(index):
        at = np.flatnonzero(tone)[index == i]
        low, high = third_edges_hz(int(i))
        rows.append(
            SweepRow(
                f0_low_hz=float(low),
                f0_high_hz=float(high),
                seconds=float(len(at) * hop),
                level_dbfs=_median(frames.level_dbfs[at]),
                thd_percent=_median(frames.thd_percent[at]),
                even_dbc=_median(frames.even_dbc[at]),
                odd_dbc=_median(frames.odd_dbc[at]),
                crest_positive=_median(frames.crest_positive[at]),
                crest_negative=_median(frames.crest_negative[at]),
                noise_dbfs=_median(frames.noise_dbfs[at]),
            )
        )
    return tuple(rows)


def summary(account: Account) -> dict[str, float | None]:
    """Return the take in a few numbers, of the rows that hold the board's own tone; None: not measurable."""
    frames = account.recorded
    tone = frames.oscillating
    out: dict[str, float | None] = {
        "f0_low_hz": None,
        "f0_high_hz": None,
        "level_dbfs": None,
        "level_span_db": None,
        "thd_median_percent": None,
        "thd_worst_percent": None,
        "thd_worst_f0_hz": None,
        "thd_harmonics": None,
        "start_s": None,
        "noise_dbfs": None,
        "oscillating_s": 0.0,
    }
    if not tone.any() or not account.is_oscillator:
        return out
    use = figure_rows(account)
    f0 = frames.f0_hz[use]
    level = frames.level_dbfs[use]
    thd = frames.thd_percent[use]
    out["f0_low_hz"], out["f0_high_hz"] = float(np.nanmin(f0)), float(np.nanmax(f0))
    out["level_dbfs"] = median_of_known(level)
    out["level_span_db"] = quantile_of_known(level, 0.995) - quantile_of_known(level, 0.005)
    worst = worst_distortion_row(account)
    if worst is not None:
        out["thd_median_percent"] = median_of_known(thd)
        out["thd_worst_percent"] = float(frames.thd_percent[worst])
        out["thd_worst_f0_hz"] = float(frames.f0_hz[worst])
        out["thd_harmonics"] = float(np.min(frames.harmonic_count[use]))
    out["start_s"] = account.start.rise_s if account.start.shown else None
    out["noise_dbfs"] = _median(frames.noise_dbfs[use])
    out["oscillating_s"] = float(np.count_nonzero(tone) * frames.row_every_s)
    return out


def not_shown(
    frames: Frames,
    start: Start,
    rests: int,
    retuned: int,
    sample_rate_hz: float,
    words: dict[str, dict[str, str]],
    *,
    half_unknown: bool = False,
    disturbed: bool = False,
) -> tuple[NotShown, ...]:
    """Questions that the take leaves open.

    Parameters
    ----------
    frames : Frames
    start : Start
    rests : int
        Rests of the control.
    retuned : int
        Retunes after which the level could be watched.
    sample_rate_hz : float
    words : dict
        ``why`` and ``mend`` of each case.
    half_unknown : bool
        A half was named, and the recorder's polarity is not known.
    disturbed : bool
        The control rested, but no piece of a rest was long enough to see hunting.
    """
    tone = frames.oscillating
    out = []

    def say(question: str, case: str, **values: str) -> None:
        entry = words[case]
        out.append(
            NotShown(question=question, why=entry["why"].format(**values), mend=entry["mend"].format(**values))  # type: ignore[arg-type]
        )

    if not tone.any():
        say("pitch", "nothing")
        return tuple(out)
    f0 = frames.f0_hz[tone]
    if np.nanmax(f0) < 1.06 * np.nanmin(f0):
        say("pitch", "one-note")
    if not start.shown:
        say("start", "full-swing")
    if rests == 0:
        say("hold", "no-rest")
    elif disturbed:
        say("hold", "disturbed")
    elif retuned == 0:
        say("hold", "no-retune")
    for order, share in ((2, 0.225), (3, 0.15)):
        if np.nanmax(f0) > share * sample_rate_hz:
            say(
                "clean",
                "band",
                order=str(order),
                limit=f"{share * sample_rate_hz / 1000:.3g} kHz",
                rate=f"{sample_rate_hz / 1000:.4g} kHz",
                better=f"{2 * sample_rate_hz / 1000:.4g} kHz",
            )
            break
    if half_unknown:
        say("clean", "polarity")
    return tuple(out)
