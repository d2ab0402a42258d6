"""Rules of a triangle's tips."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.waves import HIGHEST_COUPLING_HZ
from listen.findings import measured
from listen.findings.candidate import Candidate
from listen.findings.limits import Limits, severity_of
from listen.findings.threshold_segments import (
    Flags,
    Floats,
    around,
    candidate_of,
    flattest_rows,
    onset_and_thd,
    orders_of,
    segments_over_limit,
    short_median,
    whole_frames,
    worst_of,
)
from listen.findings.triangles import tabled, tip_loss, whole_triangle
from listen.findings.types import Half
from listen.sorting import distinct, median, median_of_known
from listen.track import Frames

LOW_HZ = 10.0 * HIGHEST_COUPLING_HZ
"""200 Hz: there a coupling of the highest ordinary corner moves a triangle's crest, over its fundamental, by 0.3 %, and
turns H2 against the fundamental by 9 degrees (first-order high-pass)."""
_FEW = 6
"""With fewer harmonics a tip is round whatever is done to it."""
_LEAST_LOSS = 0.005
"""Parts of the crest, a quarter of the limit: less is noise of what was read, and its flatness none."""
_ONE_CUT, _BOTH_CUT = (0.5, 0.0), (0.85, 15.0)
"""Flatness from which a tip is cut off and not rounded; a first-order filter rounds both tips, to 0.7 at the most.

And the loss in percent from which on that is told where the input's coupling, not known, may have tilted the flat.
"""
_TILTED_FLAT = 0.35
"""Flatness from which a tip is cut off there, 70 % of what is asked of a level flat: of a tilted one a shorter part is
above 98 % of the crest. Chosen."""
_LEAST_BOTH_HZ = 60.0
"""Below it the input's AC coupling moves both crests, over the fundamental, by a per cent or more: at 60 Hz one of 10
Hz does by 0.9 %, one of 20 Hz by 3 % (a triangle through a first-order high-pass)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tips:
    """The tips of a triangle, row by row: true losses in percent, flatness, which half."""

    one: Floats
    both: Floats
    share_one: Floats
    share_both: Floats
    positive: Flags
    flat: Floats
    other: Floats


def wave_candidates(frames: Frames, usable: Flags, wave: str, limits: Limits, coupling_known: bool) -> list[Candidate]:
    """Findings of the tips of an intended triangle; none for other waves. Each row is explained once.

    Parameters
    ----------
    frames : Frames
    usable : ndarray of bool, shape (n,)
        Rows whose shape is the circuit's.
    wave : str
    limits : mapping
    coupling_known : bool
        The bench file states the interface's corner, and the tracker has undone it.
    """
    if wave != "triangle":
        return []
    unexplained = usable & whole_frames(frames)
    orders = orders_of(frames)
    out: list[Candidate] = []
    tips = _tip_losses(frames, orders, coupling_known)
    fit = unexplained & (orders >= _FEW)
    known = coupling_known
    for candidate in (*_one_tip(frames, tips, limits, fit, known), *_both_tips(frames, tips, limits, fit, known)):
        if unexplained[candidate.rows].all():
            out.append(candidate)
            unexplained[around(candidate, frames)] = False
    return out


def _tip_losses(frames: Frames, orders: NDArray[np.int64], coupling_known: bool) -> _Tips:
    st = frames.segment
    up, down = short_median(frames.crest_positive, st), short_median(frames.crest_negative, st)
    flat_up, flat_down = short_median(frames.flat_positive, st), short_median(frames.flat_negative, st)
    fits = tabled(orders)
    known = distinct(fits)
    crest = np.interp(fits, known, [whole_triangle(int(k))[0] for k in known])
    with np.errstate(invalid="ignore", divide="ignore"):
        positive = up < down
        read_one = np.nan_to_num(1 - np.minimum(up, down) / np.maximum(up, down))
        read_both = np.nan_to_num(1 - np.maximum(up, down) / crest)
        flat = np.where(positive, flat_up, flat_down)
    tuned = coupling_known | (frames.f0_hz >= _LEAST_BOTH_HZ)
    one, share_one = tip_loss(read_one, flat, np.where(read_one > _LEAST_LOSS, orders, 0), both=False)
    asked = np.where((read_both > _LEAST_LOSS) & tuned, orders, 0)
    both, share_both = tip_loss(read_both, np.minimum(flat_up, flat_down), asked, both=True)
    return _Tips(
        one=100 * one,
        both=np.where(asked > 0, 100 * both, 0.0),
        share_one=share_one,
        share_both=share_both,
        positive=positive,
        flat=flat,
        other=np.maximum(up, down),
    )


def _tips_are_flat(
    frames: Frames, share: Floats, values: Floats, rows: Flags, least: tuple[float, float], known: bool
) -> bool:
    """Whether the tips with the greatest loss are clipped rather than rounded."""
    top = flattest_rows(share, values, rows)
    high = top & (known | (frames.f0_hz >= LOW_HZ))
    if high.any():
        return median(share[high]) >= least[0]
    return bool(top.any()) and median(values[top]) >= least[1] and median(share[top]) >= _TILTED_FLAT


def _one_tip(frames: Frames, tips: _Tips, limits: Limits, unexplained: Flags, known: bool) -> list[Candidate]:
    row = limits["asymmetric-clipping"]
    out = []
    for rows in segments_over_limit(frames, tips.one, unexplained, row["attention"]):
        worst = worst_of(tips.one, rows)
        severity = severity_of(worst, row)
        if severity is None or not _tips_are_flat(frames, tips.share_one, tips.one, rows, _ONE_CUT, known):
            continue
        vote = float(np.sum(tips.one[rows] * np.where(tips.positive[rows], 1.0, -1.0)))
        half: Half = "positive" if vote > 0 else "negative"
        certain = known or bool((frames.f0_hz[rows] >= LOW_HZ).any())
        top = rows & (tips.one >= 0.7 * worst)
        numbers = measured.Flattened(
            crest_loss_percent=worst,
            flat_over_sine=median_of_known(tips.flat[top]),
            other_crest_over_sine=median(tips.other[top]),
            **onset_and_thd(frames, rows),
        )
        more: dict[str, Any] = {"half": half, "half_certain": certain, "variant": "tip" if certain else "tip_probably"}
        out.append(candidate_of(frames, rows, "asymmetric-clipping", severity, numbers, **more))
    return out


def _both_tips(frames: Frames, tips: _Tips, limits: Limits, unexplained: Flags, known: bool) -> list[Candidate]:
    row = limits["symmetric-clipping"]
    out = []
    for rows in segments_over_limit(frames, tips.both, unexplained, row["attention"]):
        worst = worst_of(tips.both, rows)
        severity = severity_of(worst, row)
        if severity and _tips_are_flat(frames, tips.share_both, tips.both, rows, _BOTH_CUT, known):
            numbers = measured.Flattened(
                crest_loss_percent=worst,
                flat_over_sine=median_of_known(tips.flat[rows]),
                **onset_and_thd(frames, rows),
            )
            both: dict[str, Any] = {"half": "both", "variant": "tips"}
            out.append(candidate_of(frames, rows, "symmetric-clipping", severity, numbers, **both))
    return out
