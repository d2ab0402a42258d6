"""Rules of the slopes, edges and resets of triangle, sawtooth, square and pulse waves."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.account.waves import WaveShape
from listen.findings import measured
from listen.findings.candidate import Candidate
from listen.findings.limits import Limits, severity_of
from listen.findings.measured import Measured
from listen.findings.threshold_segments import candidate_of, segments_over_limit, worst_of
from listen.findings.types import Half
from listen.sorting import median, median_of_known, quantile_of_known
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_SURE = 2.0
"""Standard deviations that are taken off before a value is held against a limit: what is not known is no fault."""
_HALF_PERCENT = 50.0
"""A triangle's rise and a square's duty where none is stated: what makes them symmetric."""
_BEYOND = 1.2
"""Ratio of pitch, a bin of a quarter of an octave: rows further from the pitches that were read say nothing."""
_SHORT_US = 5.0
"""A spike too short for a height is judged by its area: as high as if it were so long (common practice, no source)."""
_LEAST_LOSS = 0.005
"""Part of the crest, a quarter of the limit, below which a bin counts as whole: it moves only where between two bins a
cut is said to begin."""


def rows_of_known_tips(shape: WaveShape, frames: Frames) -> Flags:
    """Rows at pitches where the fitted cycle tells of the tips, better than crest and flat span.

    These say nothing near a spike in the cycle, and to them a round corner beside a steeper slope is a tip cut off. A
    row between two bins counts where both tell.
    """
    f0_hz = np.where(np.isfinite(frames.f0_hz), frames.f0_hz, 1.0)
    spike = shape.at(np.nan_to_num(shape.spike), f0_hz) > 0.0
    return np.asarray(spike | (shape.at(shape.tips_known.astype(float), f0_hz) == 1.0))


def wave_shape_candidates(
    account: Account, shape: WaveShape, rows: Flags, limits: Limits, duty_percent: float | None
) -> list[Candidate]:
    """Findings of the shape of a triangle, sawtooth, square or pulse.

    Parameters
    ----------
    account : Account
    shape : WaveShape
    rows : ndarray of bool, shape (n,)
        Rows whose shape is the board's.
    limits : mapping
    duty_percent : float or None
        Part of the cycle that the wave is meant to rise or to be high, where it is stated.
    """
    judge = _Judge(account.frames, shape, rows, limits, account.id_of("wave"))
    stated = duty_percent if duty_percent is not None else _HALF_PERCENT
    if shape.wave == "triangle":
        judge.slopes(stated)
    elif shape.wave == "square" or (shape.wave == "pulse" and duty_percent is not None):
        judge.duty(stated)
    if shape.wave == "sawtooth":
        judge.reset()
    if shape.wave in ("sawtooth", "triangle"):
        judge.cut()
    judge.corners()
    judge.bow()
    judge.spike()
    judge.leaning()
    return judge.out


class _Judge:
    """Wave shape of one take at each row compared with the limits."""

    def __init__(self, frames: Frames, shape: WaveShape, rows: Flags, limits: Limits, part: str | None) -> None:
        self.frames, self.shape, self.limits, self.part = frames, shape, limits, part
        known = rows & np.isfinite(frames.f0_hz)
        self.f0_hz = np.where(known, frames.f0_hz, 1.0)
        low, high = float(shape.f0_hz.min()), float(shape.f0_hz.max())
        self.rows = known & (self.f0_hz > low / _BEYOND) & (self.f0_hz < high * _BEYOND)
        self.out: list[Candidate] = []

    def at(self, values: Floats) -> Floats:
        """A value at each row's pitch, 0 where it is not known."""
        return np.where(self.rows, np.nan_to_num(self.shape.at(values, self.f0_hz)), 0.0)

    def add(self, kind: str, values: Floats, make: Callable[[float, Flags, float], Measured], **more: Any) -> None:
        """Candidates of one kind: ``make`` is given the worst value, the rows and the pitch from which it shows."""
        row = self.limits[kind]
        for over_limit in segments_over_limit(self.frames, values, self.rows, row["attention"]):
            worst = worst_of(values, over_limit)
            severity = severity_of(max(worst, row["attention"]), row)
            if severity is not None:
                onset = float(np.nanmin(self.frames.f0_hz[over_limit]))
                self.out.append(
                    candidate_of(
                        self.frames, over_limit, kind, severity, make(worst, over_limit, onset), part=self.part, **more
                    )
                )

    def median(self, values: Floats, over_limit: Flags) -> float:
        return median(self.at(values)[over_limit])

    def slopes(self, stated: float) -> None:
        """A triangle's two slopes."""
        share = 100 * self.shape.share
        off = _sure(share - stated, 100 * self.shape.share_sigma)
        self.add(
            "slope-asymmetry",
            self.at(off),
            lambda worst, over_limit, onset: measured.SlopeShare(
                off_percent=worst, rise_percent=self.median(share, over_limit), onset_f0_hz=onset
            ),
        )

    def duty(self, stated: float) -> None:
        """The part of the cycle that a square or a pulse is high."""
        share = 100 * self.shape.share
        off = _sure(share - stated, 100 * self.shape.share_sigma)
        self.add(
            "duty",
            self.at(off),
            lambda worst, over_limit, onset: measured.DutyShare(
                off_percent=worst, duty_percent=self.median(share, over_limit), onset_f0_hz=onset
            ),
        )

    def reset(self) -> None:
        """A sawtooth's reset: too long in time, and too large a part of the cycle."""
        shape = self.shape
        time_s = self.at(_sure(shape.reset_s, shape.reset_sigma_s))
        long = 1e6 * time_s >= self.limits["reset-slow"]["least_us"]
        self.add(
            "reset-slow",
            np.where(long, 100 * time_s * self.f0_hz, 0.0),
            lambda worst, over_limit, onset: measured.SlowReset(
                reset_percent=worst, reset_us=self.median(1e6 * shape.reset_s, over_limit), onset_f0_hz=onset
            ),
        )

    def cut(self) -> None:
        """A tip that is cut off: a rail, or a level that the reset does not wait for.

        A triangle's are read from crest and flat span where its fitted cycle does not tell.
        """
        judged = self.rows if self.shape.wave == "sawtooth" else rows_of_known_tips(self.shape, self.frames)
        loss, sigma = self.shape.loss, self.shape.loss_sigma
        halves: tuple[tuple[Half, Floats], ...] = (("positive", loss), ("negative", -loss))
        for half, half_loss in halves:
            values = 100 * self.at(np.where(half_loss > _LEAST_LOSS, _sure(half_loss, sigma), 0.0))
            self.add("asymmetric-clipping", np.where(judged, values, 0.0), self._flattened, half=half, variant="tip")
        both = self.shape.loss_both
        values = 100 * self.at(np.where(both > _LEAST_LOSS, _sure(both, sigma), 0.0))
        self.add("symmetric-clipping", np.where(judged, values, 0.0), self._flattened, half="both", variant="tips")

    def _flattened(self, worst: float, over_limit: Flags, onset: float) -> Measured:
        frames = self.frames
        flat = np.fmax(frames.flat_positive[over_limit], frames.flat_negative[over_limit])
        return measured.Flattened(
            crest_loss_percent=worst,
            flat_over_sine=median_of_known(flat),
            onset_f0_hz=onset,
            thd_worst_percent=quantile_of_known(frames.thd_percent[over_limit], 0.98),
        )

    def corners(self) -> None:
        """Corners, or the edges of a square, that a first-order low-pass rounds."""
        corner = 1e6 * self.shape.corner_s
        self.add(
            "corner-rounding",
            self.at(_sure(corner, 1e6 * self.shape.corner_sigma_s)),
            lambda worst, _, onset: measured.RoundCorner(corner_us=worst, onset_f0_hz=onset),
        )

    def bow(self) -> None:
        """Bow: slopes that are not straight."""
        bow = 100 * self.shape.bow
        self.add(
            "ramp-bow",
            self.at(_sure(bow, 100 * self.shape.bow_sigma)),
            lambda worst, over_limit, onset: measured.BentSlope(
                bow_percent=worst, bends="out" if self.median(bow, over_limit) > 0 else "in", onset_f0_hz=onset
            ),
        )

    def spike(self) -> None:
        """A spike in the cycle, by its height; by its area where it is shorter than the band shows."""
        shape = self.shape
        area = 1e8 * shape.spike_area_s
        equal = np.where(shape.spike_resolved, 100 * shape.spike, np.fmax(100 * shape.spike, area / _SHORT_US))
        # the limit is five standard deviations of the area
        sure = np.maximum(1.0 - _SURE / 5.0 * 1e8 * shape.spike_limit_s / np.maximum(area, 1e-12), 0.0)
        equal = equal * sure
        self.add(
            "reset-glitch",
            self.at(equal),
            lambda worst, over_limit, onset: measured.Spike(
                glitch_percent=worst,
                glitch_area_percent_us=self.median(area, over_limit),
                glitch_cycle=self.median(shape.spike_at, over_limit),
                onset_f0_hz=onset,
            ),
        )

    def leaning(self) -> None:
        """Even harmonics that neither the shares nor a cut nor a spike make."""
        if self.shape.wave not in ("triangle", "square"):
            return
        frames = self.frames
        self.add(
            "even-order-distortion",
            100 * self.at(self.shape.residual_even),
            lambda worst, over_limit, onset: measured.EvenOrder(
                even_percent=worst,
                onset_f0_hz=onset,
                thd_worst_percent=quantile_of_known(frames.thd_percent[over_limit], 0.98),
            ),
            variant="leaning",
        )


def _sure(values: Floats, sigma: Floats) -> Floats:
    """Magnitude of a value less two standard deviations, at least 0."""
    return np.asarray(np.maximum(np.abs(values) - _SURE * np.nan_to_num(sigma, nan=0.0), 0.0))
