"""Rules of the sine's shape: the parts of the model compared with the limits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.account.accounting import thd_squares
from listen.account.curve.measure import Sizes
from listen.account.shape import Shape
from listen.findings import measured
from listen.findings.candidate import LEAST_SHARE, Candidate
from listen.findings.limits import Limits, severity_of
from listen.findings.measured import Measured
from listen.findings.rules_waves import LOW_HZ
from listen.findings.threshold_segments import candidate_of, onset_and_thd, segments_over_limit, worst_of
from listen.findings.types import Half
from listen.sorting import median, quantile_of_known
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]
Facts = dict[str, float]

_LEAST_BOTH = 0.01
"""Both halves are flattened where each loses a hundredth, half of the limit: less is the model's own doubt."""
_ALSO = 0.5
"""Of its limit, as of both halves: from there on a part that is said elsewhere explains the harmonics."""
_FEW_ORDERS = 5
"""With fewer harmonics in the file a knee or a dead band is told by its harmonics alone: with H2 to H4 a curve does as
well."""
_HALF_FROM = 0.01
"""A half is held down where the other stands higher by a hundredth."""


def shape_candidates(
    account: Account, limits: Limits, *, coupling_known: bool, volts_per_full_scale: float | None
) -> list[Candidate]:
    """Findings of shape for an intended sine, from the parts of one model.

    Parameters
    ----------
    account : Account
    limits : mapping
    coupling_known : bool
        The interface's corner is known, and undone.
    volts_per_full_scale : float or None
    """
    shape = account.shape
    if shape is None or shape.sizes is None:
        return []
    judge = _Judge(account.frames, shape, shape.sizes, limits, coupling_known)
    found = judge.candidates(account, volts_per_full_scale)
    return [replace(one, thd_percent=_thd_reached(account, shape, one)) for one in found]


def _thd_reached(account: Account, shape: Shape, candidate: Candidate) -> float | None:
    """Worst THD of a candidate's rows, if its part makes enough of it there to be named as the cause."""
    thd = account.frames.thd_percent[candidate.rows]
    if candidate.part is None or not np.isfinite(thd).any():
        return None
    worst = quantile_of_known(thd, 0.98)
    row = int(candidate.rows[int(np.nanargmin(np.abs(thd - worst)))])
    squares = thd_squares(account.recorded, account.frames, row, shape, dict(account.ids or {}))
    return worst if squares.get(candidate.part, 0.0) > LEAST_SHARE * sum(squares.values()) else None


class _Judge:
    """Sizes of one take at each row compared with the limits; each kind marks the rows that it explains."""

    def __init__(self, frames: Frames, shape: Shape, sizes: Sizes, limits: Limits, known: bool) -> None:
        self.frames, self.shape, self.sizes, self.limits, self.known = frames, shape, sizes, limits, known
        self.enough = bool(shape.bins.fits[:, _FEW_ORDERS - 2].any())
        self.out: list[Candidate] = []
        self.even = np.zeros(len(frames), dtype=bool)
        self.odd = np.zeros(len(frames), dtype=bool)

    def at(self, values: Floats) -> Floats:
        """A size at each row's pitch."""
        return self.sizes.at(values, self.frames.f0_hz)

    def add(self, kind: str, values: Floats, make: Callable[[float, Flags, Facts], Measured], **more: Any) -> Flags:
        """Add the candidates of one kind; return the rows that they explain."""
        row, taken = self.limits[kind], np.zeros(len(self.frames), dtype=bool)
        for over_limit in segments_over_limit(self.frames, values, self.shape.rows, row["attention"]):
            worst = worst_of(values, over_limit)
            severity = severity_of(max(worst, row["attention"]), row)
            if severity is not None:
                numbers = make(worst, over_limit, onset_and_thd(self.frames, over_limit))
                self.out.append(candidate_of(self.frames, over_limit, kind, severity, numbers, **more))
                taken |= over_limit
        # a part that is said explains its harmonics where it is smaller, too
        return taken | (self.shape.rows & (values > _ALSO * row["attention"])) if taken.any() else taken

    def candidates(self, account: Account, volts: float | None) -> list[Candidate]:
        """All findings of shape."""
        sizes = self.sizes
        slope = sizes.slope_fs_per_s * volts * 1e-6 if volts else None
        self.odd |= self.add(
            "slew-limiting",
            100 * self.at(sizes.slope_short),
            lambda worst, _, facts: measured.HeldSlope(slope_short_percent=worst, slope_v_per_us=slope, **facts),
            part=account.id_of("slew"),
        )
        if self.enough:
            self.odd |= self.add(
                "crossover-distortion",
                100 * self.at(sizes.dead),
                lambda worst, _, facts: measured.DeadBand(dead_band_percent=worst, **facts),
                part=account.id_of("dead"),
            )
            if sizes.hard:
                self._flattened(account.id_of("curve"))
        self._curved(account)
        return self.out

    def _flattened(self, part: str | None) -> None:
        sizes = self.sizes
        both = self.at(sizes.loss_both)
        self.odd |= self.add(
            "symmetric-clipping",
            100 * np.where(both >= _LEAST_BOTH, both, 0.0),
            lambda worst, over_limit, facts: measured.Flattened(
                crest_loss_percent=worst, flat_over_sine=self._median(sizes.flat_positive, over_limit), **facts
            ),
            half="both",
            part=part,
        )
        certain = self.known or float(self.shape.bins.f0_hz.max()) >= LOW_HZ
        more = {"half_certain": certain, "variant": "plain" if certain else "probably", "part": part}
        positive = self.at(sizes.positive.astype(float)) > 0.5
        halves: tuple[tuple[Half, Flags], ...] = (("positive", positive), ("negative", ~positive))
        for half, own in halves:
            loss_percent = 100 * np.where(own, self.at(sizes.loss_one), 0.0)
            taken = self.add("asymmetric-clipping", loss_percent, self._one_half(half), half=half, **more)
            self.even |= taken
            self.odd |= taken

    def _one_half(self, half: Half) -> Callable[[float, Flags, Facts], Measured]:
        flat, other = self.sizes.flat_positive, self.sizes.crest_negative
        if half == "negative":
            flat, other = self.sizes.flat_negative, self.sizes.crest_positive

        def make(worst: float, over_limit: Flags, facts: Facts) -> Measured:
            return measured.Flattened(
                crest_loss_percent=worst,
                flat_over_sine=self._median(flat, over_limit),
                other_crest_over_sine=self._median(other, over_limit),
                **facts,
            )

        return make

    def _median(self, values: Floats, rows: Flags) -> float:
        return median(self.at(values)[rows])

    def _curved(self, account: Account) -> None:
        """Even and odd curves, by their size where another part of that parity is reported, else by the residual."""
        sizes, part = self.sizes, account.id_of("curve") or account.id_of("tone")
        even = np.where(self.even, self.at(sizes.even), self.at(sizes.residual_even))
        odd = np.where(self.odd, self.at(sizes.odd), self.at(sizes.residual_odd))
        for over_limit, worst, severity in self._over_limit("even-order-distortion", even):
            up, down = self._median(sizes.crest_positive, over_limit), self._median(sizes.crest_negative, over_limit)
            loss = 1 - min(up, down) / max(up, down)
            half: Half | None = ("positive" if up < down else "negative") if loss > _HALF_FROM else None
            numbers = measured.EvenOrder(
                even_percent=worst, crest_loss_percent=100 * loss, **onset_and_thd(self.frames, over_limit)
            )
            more: dict[str, Any] = {"half": half, "variant": "plain" if half else "leaning", "part": part}
            self.out.append(candidate_of(self.frames, over_limit, "even-order-distortion", severity, numbers, **more))
        for over_limit, worst, severity in self._over_limit("odd-order-distortion", odd):
            up, down = self._median(sizes.crest_positive, over_limit), self._median(sizes.crest_negative, over_limit)
            odd_numbers = measured.OddOrder(
                odd_percent=worst,
                crest_loss_percent=100 * (1 - max(up, down)),
                **onset_and_thd(self.frames, over_limit),
            )
            variant = "peaked" if min(up, down) > 1.0 else "rounded"
            self.out.append(
                candidate_of(
                    self.frames, over_limit, "odd-order-distortion", severity, odd_numbers, variant=variant, part=part
                )
            )

    def _over_limit(self, kind: str, sizes: Floats) -> list[tuple[Flags, float, Any]]:
        values, row = 100 * sizes, self.limits[kind]
        out = []
        for over_limit in segments_over_limit(self.frames, values, self.shape.rows, row["attention"]):
            worst = worst_of(values, over_limit)
            out.append((over_limit, worst, severity_of(max(worst, row["attention"]), row)))
        return out
