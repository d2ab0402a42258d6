"""What distorts a sine: flattened halves, curves, slewing, a dead band. One cause for each stretch of rows."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from listen.findings.coupling import LOW_HZ, crests, estimate_corner, relative_harmonics, undone
from listen.findings.draft import Draft
from listen.findings.flattened import (
    clip_table,
    dead_band_ratio,
    dead_band_table,
    hard_share,
    slew_lines,
    slew_table,
    true_loss,
)
from listen.findings.limits import Limits, severity_of
from listen.findings.over import (
    around,
    draft_of,
    flattest_rows,
    line_over,
    orders_of,
    stretches_over,
    whole_frames,
    worst_of,
)
from listen.findings.rows import Flags, Floats, short_median
from listen.findings.types import Half
from listen.sorting import distinct, median, median_of_known, quantile
from listen.track import Frames

CLIPPED_FROM = 0.5
"""Flatness between a sine (0) and a hard clip (1) from which a half is flattened and not merely curved."""
_FEW = 6
_USUAL_LOSS_PERCENT = 2.0
_TILTED_BELOW = 50.0
"""Below so many times the corner a flat of a sixth of the cycle sinks by the two per cent by which flats are told."""
_LEAST_LOSS = 0.003
_WIDE = 1.4
_TRIANGLE_PERCENT = 17.0
"""From here on slewing makes nearly a triangle, whatever the pitch."""
_TOLD_BY_SLOPE = 0.02
"""A dead band's slope is steeper than slewing's by this, of a sine's, where they can be told apart by it."""
_WIEN_TURN_RAD = float(np.radians(63.4))
"""By so much a Wien bridge turns the second harmonic that its amplifier makes: 1 - 3j/(k - 1/k), k = 2."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """Smoothed shape of each row."""

    usable: Flags
    orders: NDArray[np.int64]
    crest_positive: Floats
    crest_negative: Floats
    loss_one: Floats
    loss_both: Floats
    share_one: Floats
    share_both: Floats
    flat: Floats
    positive: Flags
    even: Floats
    odd: Floats
    slope_short: Floats
    dead_band: Floats
    corner_hz: float | None


def read_shape(frames: Frames, usable: Flags, coupling_known: bool, topology: str | None = None) -> Shape:
    """Smooth the shape columns, undo what few harmonics and an unknown coupling do to them.

    Parameters
    ----------
    frames : Frames
    usable : ndarray of bool, shape (n,)
        Rows whose shape is the circuit's.
    coupling_known : bool
        The bench file states the interface's corner, and the tracker has undone it.
    topology : str or None
    """
    st = frames.stretch
    usable = usable & whole_frames(frames)
    orders = orders_of(frames)
    up, down = short_median(frames.crest_positive, st), short_median(frames.crest_negative, st)
    flat_up, flat_down = short_median(frames.flat_positive, st), short_median(frames.flat_negative, st)
    corner = None if coupling_known else estimate_corner(frames)
    if corner:
        # a wide flat is tilted far above the notes whose crests the coupling moves
        low = np.flatnonzero(usable & (frames.f0_hz < max(LOW_HZ, _TILTED_BELOW * corner)))
        a, b, c, d = crests(undone(relative_harmonics(frames, low), frames.f0_hz[low], corner))
        up[low], down[low], flat_up[low], flat_down[low] = a, b, c, d
        orders[low] = np.minimum(orders[low], 10)
    with np.errstate(invalid="ignore", divide="ignore"):
        positive = up < down
        read_one = 1 - np.minimum(up, down) / np.maximum(up, down)
        read_both = 1 - np.maximum(up, down)
        flat = np.where(positive, flat_up, flat_down)
        both_flat = np.minimum(flat_up, flat_down)
        # below half of any limit nothing is judged: no table is made for it
        share_one = hard_share(read_one, flat, np.where(read_one > _LEAST_LOSS, orders, 0), both=False)
        share_both = hard_share(read_both, both_flat, np.where(read_both > _LEAST_LOSS, orders, 0), both=True)
        loss_one = np.where(
            share_one > 0.4, true_loss(read_one, np.where(read_one > _LEAST_LOSS, orders, 0), both=False), read_one
        )
        loss_both = np.where(
            share_both > 0.4, true_loss(read_both, np.where(read_both > _LEAST_LOSS, orders, 0), both=True), read_both
        )
        psi2 = _median_angle(frames, 0)
        h2, h3 = line_over(frames, 2), line_over(frames, 3)
    few = usable & (orders < _FEW) & (orders >= 2)
    turn = _WIEN_TURN_RAD if topology == "wien-bridge" else 0.0
    positive = np.where(few, np.cos(psi2 + turn) < 0, positive)
    loss_one, share_one = _from_few(few, orders, loss_one, share_one, h2, h3)
    dead_band = _dead_band(frames, orders, h3)
    return Shape(
        usable=usable,
        orders=orders,
        crest_positive=up,
        crest_negative=down,
        loss_one=np.nan_to_num(loss_one),
        loss_both=np.nan_to_num(loss_both),
        share_one=share_one,
        share_both=share_both,
        flat=flat,
        positive=positive.astype(bool),
        even=np.nan_to_num(100 * 10 ** (short_median(frames.even_dbc, st) / 20)),
        odd=np.nan_to_num(100 * 10 ** (short_median(frames.odd_dbc, st) / 20)),
        # of few harmonics a dead band's slope is no steeper than a sine's: it is not slewing for that
        slope_short=np.where(dead_band > 0.0, 0.0, _slope_short(frames, orders, h3)),
        dead_band=dead_band,
        corner_hz=corner,
    )


def _median_angle(frames: Frames, order: int) -> Floats:
    turned = np.exp(1j * frames.harmonic_phase_rad[:, order])
    return np.angle(short_median(turned.real, frames.stretch) + 1j * short_median(turned.imag, frames.stretch))


def _from_few(
    few: Flags, orders: NDArray[np.int64], loss: Floats, share: Floats, h2: Floats, h3: Floats
) -> tuple[Floats, Floats]:
    """With fewer than six harmonics a crest says little: the loss follows H2 as it does where more of them fit.

    Where no row of the take has more, a hard clip's own H2 and H3 stand in, if the two agree.
    """
    if not few.any():
        return loss, share
    loss, share = loss.copy(), share.copy()
    many = (orders >= _FEW) & (h2 > 0.002) & np.isfinite(loss)
    table = clip_table(32, False)
    by_second = np.interp(h2, table.h2, table.loss)
    if np.count_nonzero(many) >= 5:
        strong = np.argsort(np.where(many, orders, 99))[: max(5, np.count_nonzero(many) // 4)]
        ratio = median(loss[strong] / by_second[strong])
        loss[few] = ratio * by_second[few]
        seen = share[strong][np.isfinite(share[strong])]
        share[few] = median(seen) if len(seen) else 0.0
        return loss, share
    by_third = np.interp(h3, table.h3[: len(table.h3) // 2], table.loss[: len(table.h3) // 2])
    agree = few & (orders >= 3) & (np.abs(np.log(np.maximum(by_third, 1e-6) / np.maximum(by_second, 1e-6))) < 0.35)
    loss[few] = np.where(agree, by_second, np.minimum(loss, by_second))[few]
    share[few] = np.where(agree, 1.0, 0.0)[few]
    return loss, share


def _slope_short(frames: Frames, orders: NDArray[np.int64], h3: Floats) -> Floats:
    """How far the steepest slope falls short, where the odd harmonics lie as slewing lays them."""
    read = short_median(frames.slope_over_sine, frames.stretch)
    psi3 = _median_angle(frames, 1)
    out = np.zeros(len(frames))
    pattern = (np.cos(psi3) > 0.5) & (h3 > 0.002) & (orders >= 3)
    with np.errstate(invalid="ignore"):
        h2 = np.nan_to_num(line_over(frames, 2))
        pattern &= h2 < 0.7 * h3
        pattern &= np.maximum(frames.crest_positive, frames.crest_negative) > 1.0
        h5 = line_over(frames, 5)
        pattern &= ~((orders >= 5) & (h5 < 0.05 * h3))
        # the harmonics that do not fit hide some of it: a loop's own filter leaves less of them than a follower makes
        thirds, _, fifths = slew_lines()
        hidden = np.where(orders >= 5, np.clip(h5 / np.interp(h3, thirds, fifths), 0.0, 1.0), 0.5)
    for k in distinct(orders[pattern]):
        seen, true, _ = slew_table(int(min(k, 16)))
        rows = pattern & (orders == k)
        short = 1 - read[rows]
        out[rows] = short + hidden[rows] * (np.interp(short, 1 - seen, 1 - true) - short)
    return np.nan_to_num(out)


def _dead_band(frames: Frames, orders: NDArray[np.int64], h3: Floats) -> Floats:
    """Dead band over the peak, where H3 and H5 lie as a dead band lays them."""
    psi3, psi5 = _median_angle(frames, 1), _median_angle(frames, 3)
    with np.errstate(invalid="ignore", divide="ignore"):
        h2 = np.nan_to_num(line_over(frames, 2))
        h5 = line_over(frames, 5)
        ratio = 20 * np.log10(h5 / h3)
        pattern = (
            (orders >= 5)
            & (h2 < h3)
            & np.isfinite(h3)
            & (np.cos(psi3) > 0.75)
            & (np.cos(psi5) < -0.6)
            & (ratio > -11)
            & (ratio < -2)
        )
    if not pattern.any():
        return np.zeros(len(frames))
    pattern = _steeper_than_slewing(frames, orders, h3, pattern)
    return np.where(pattern, dead_band_ratio(np.nan_to_num(h3)), 0.0)


def _steeper_than_slewing(frames: Frames, orders: NDArray[np.int64], h3: Floats, among: Flags) -> Flags:
    """Slewing lays H3 and H5 as a dead band does, but holds the slope that a dead band steepens.

    With few harmonics no slope is steep: then it is told from the angle by which slewing leans. Tables are dear: they
    are made for the rows in question alone.
    """
    read = short_median(frames.slope_over_sine, frames.stretch)
    leans = np.abs(_median_angle(frames, 1)) > 0.5 * np.interp(h3, *slew_lines()[:2])
    out = np.zeros(len(frames), dtype=bool)
    for k in distinct(orders[among]):
        rows = among & (orders == k)
        fits = int(min(k, 16))
        third, steep = dead_band_table(fits)
        slewed, _, thirds = slew_table(fits)
        dead, held = np.interp(h3[rows], third, steep), np.interp(h3[rows], thirds, slewed)
        out[rows] = np.where(dead - held > _TOLD_BY_SLOPE, read[rows] > 0.5 * (dead + held), ~leans[rows])
    return out


def shape_drafts(frames: Frames, shape: Shape, limits: Limits, coupling_known: bool) -> list[Draft]:
    """Findings of shape for an intended sine; each row is explained once.

    Parameters
    ----------
    frames : Frames
    shape : Shape
    limits : mapping
    coupling_known : bool
    """
    left = shape.usable.copy()
    out: list[Draft] = []
    one_half = partial(_one_half, known=coupling_known)
    for make in (_slewing, _crossover, one_half, _both_halves):
        for draft in make(frames, shape, limits, left):
            if not (draft.kind == "crossover-distortion" and _leads_to_slewing(draft, out)):
                out.append(draft)
            left[around(draft, frames)] = False
    left &= ~_let_pass(frames, shape, limits, left)
    for draft in _curved(frames, shape, limits, left, out, coupling_known):
        out.append(draft)
    return out


def _let_pass(frames: Frames, shape: Shape, limits: Limits, left: Flags) -> Flags:
    """Rows whose flattening a raised limit lets pass: its harmonics are not told as another cause."""
    out = np.zeros(len(frames), dtype=bool)
    for kind, values, share in (
        ("asymmetric-clipping", 100 * shape.loss_one, shape.share_one),
        ("symmetric-clipping", 100 * shape.loss_both, shape.share_both),
    ):
        if limits[kind]["attention"] > _USUAL_LOSS_PERCENT:
            for _, rows in stretches_over(frames, values, left, _USUAL_LOSS_PERCENT):
                if _flattened(share, values, rows):
                    out |= rows
    return out


def _leads_to_slewing(draft: Draft, before: list[Draft]) -> bool:
    """Just below the pitch at which slopes are held, slewing shows as a dead band would: that is its onset."""
    return any(
        d.kind == "slew-limiting"
        and draft.start_s < d.end_s + 0.4
        and draft.end_s > d.start_s - 0.4
        and (draft.f0_high_hz or 0.0) < 1.15 * (d.f0_low_hz or 0.0)
        for d in before
    )


def _crossover(frames: Frames, shape: Shape, limits: Limits, left: Flags) -> list[Draft]:
    row = limits["crossover-distortion"]
    values = 100 * shape.dead_band
    out = []
    for span, rows in stretches_over(frames, values, left, row["attention"], shape.orders >= 5):
        worst = worst_of(values, rows)
        severity = severity_of(worst, row)
        if severity:
            out.append(draft_of(frames, span, rows, "crossover-distortion", severity, {"dead_band_percent": worst}))
    return out


def _slewing(frames: Frames, shape: Shape, limits: Limits, left: Flags) -> list[Draft]:
    row = limits["slew-limiting"]
    values = 100 * shape.slope_short
    out = []
    for span, rows in stretches_over(frames, values, left, row["attention"], shape.orders >= 3):
        worst = worst_of(values, rows)
        severity = severity_of(worst, row)
        # slewing comes with the pitch: below the onset the wave must be nearer a sine
        below = left & (frames.f0_hz < 0.8 * np.nanmin(frames.f0_hz[rows]))
        shown = np.count_nonzero(below) > 10
        alike = median(values[below]) > 0.8 * worst if shown else _same_at_all_pitches(frames.f0_hz[rows], values[rows])
        if severity and not alike:
            amplitude = 10 ** (frames.fundamental_dbfs[rows] / 20)
            slope = 2 * np.pi * frames.f0_hz[rows] * amplitude * (1 - shape.slope_short[rows])
            facts = {"slope_short_percent": worst, "slope_fs_per_s": median(slope)}
            out.append(draft_of(frames, span, rows, "slew-limiting", severity, facts))
    return out


def _same_at_all_pitches(f0_hz: Floats, values: Floats) -> bool:
    """Whether the slope falls short alike at low notes and at high ones: no slewing, unless it is a full triangle."""
    low, high = quantile(f0_hz, 0.25), quantile(f0_hz, 0.75)
    if high < _WIDE * low:
        return False
    at_top = median(values[f0_hz >= high])
    return at_top < _TRIANGLE_PERCENT and median(values[f0_hz <= low]) > 0.8 * at_top


def _one_half(frames: Frames, shape: Shape, limits: Limits, left: Flags, known: bool) -> list[Draft]:
    row = limits["asymmetric-clipping"]
    values = 100 * shape.loss_one
    out = []
    for span, rows in stretches_over(frames, values, left, row["attention"]):
        worst = worst_of(values, rows)
        severity = severity_of(worst, row)
        if severity is None or not _flattened(shape.share_one, values, rows):
            continue
        half, certain = half_of(frames, shape, rows, values, known)
        top = rows & (values >= 0.7 * worst)
        other = shape.crest_negative if half == "positive" else shape.crest_positive
        facts = {
            "crest_loss_percent": worst,
            "flat_over_sine": median_of_known(shape.flat[top]),
            "other_crest_over_sine": median(other[top]),
        }
        out.append(
            draft_of(
                frames,
                span,
                rows,
                "asymmetric-clipping",
                severity,
                facts,
                half=half,
                half_certain=certain,
                variant="plain" if certain else "probably",
            )
        )
    return out


def _flattened(share: Floats, values: Floats, rows: Flags) -> bool:
    """Whether the rows with the greatest loss are flat, not merely curved."""
    top = flattest_rows(share, values, rows)
    return bool(top.any()) and median(share[top]) >= CLIPPED_FROM


def half_of(frames: Frames, shape: Shape, rows: Flags, values: Floats, known: bool) -> tuple[Half, bool]:
    """Name the half that loses, from the highest notes on, and say whether the input's coupling leaves that certain."""
    weight = np.where(rows, values, 0.0)
    high = rows & (frames.f0_hz >= LOW_HZ)
    if high.any():
        weight = np.where(high, values, 0.0)
    vote = float(np.sum(weight * np.where(shape.positive, 1.0, -1.0)) / max(float(np.sum(weight)), 1e-12))
    half: Half = "positive" if vote > 0 else "negative"
    certain = known or bool(high.any()) or shape.corner_hz is not None
    if not certain:
        low = np.flatnonzero(rows)
        h = relative_harmonics(frames, low[:: max(1, len(low) // 40)])
        f0 = frames.f0_hz[low[:: max(1, len(low) // 40)]]
        votes = [float(np.mean(np.cos(np.angle(undone(h, f0, corner)[:, 1])) < 0)) for corner in (0.0, 20.0)]
        certain = min(votes) > 0.8 or max(votes) < 0.2
        half = "positive" if votes[1] + votes[0] > 1.0 else "negative"
    return half, certain


def _both_halves(frames: Frames, shape: Shape, limits: Limits, left: Flags) -> list[Draft]:
    row = limits["symmetric-clipping"]
    values = 100 * shape.loss_both
    out = []
    for span, rows in stretches_over(frames, values, left, row["attention"]):
        worst = worst_of(values, rows)
        severity = severity_of(worst, row)
        if severity and _flattened(shape.share_both, values, rows):
            facts = {"crest_loss_percent": worst, "flat_over_sine": median_of_known(shape.flat[rows])}
            out.append(draft_of(frames, span, rows, "symmetric-clipping", severity, facts, half="both"))
    return out


def _curved(frames: Frames, shape: Shape, limits: Limits, left: Flags, before: list[Draft], known: bool) -> list[Draft]:
    out = []
    explained = np.zeros(len(frames), dtype=bool)
    for draft in before:
        explained[around(draft, frames)] = True
    pointed = np.cos(_median_angle(frames, 1))
    families: tuple[tuple[str, Floats, str], ...] = (
        ("even-order-distortion", shape.even, "even_percent"),
        ("odd-order-distortion", shape.odd, "odd_percent"),
    )
    for kind, values, name in families:
        row = limits[kind]
        whole = shape.usable & (values >= row["attention"])
        if int(np.count_nonzero(whole & explained)) > 0.7 * max(1, int(np.count_nonzero(whole))):
            continue
        for span, rows in stretches_over(frames, values, left, row["attention"]):
            worst = worst_of(values, rows)
            severity = severity_of(worst, row)
            if severity is None:
                continue
            half: Half | None = None
            certain = True
            if kind.startswith("even") and median(shape.loss_one[rows]) > 0.01:
                half, certain = half_of(frames, shape, rows, 100 * shape.loss_one, known)
            psi3 = median(pointed[rows])
            facts = {name: worst, "crest_loss_percent": 100 * median(shape.loss_one[rows])}
            variant = "leaning" if kind.startswith("even") and half is None else "plain"
            if kind.startswith("odd"):
                facts["crest_loss_percent"] = 100 * median(shape.loss_both[rows])
                variant = "peaked" if psi3 > 0.3 else "rounded"
            out.append(
                draft_of(frames, span, rows, kind, severity, facts, half=half, half_certain=certain, variant=variant)
            )
    return out
