"""What the recorder does wrong: clipped, too quiet, samples lost, repeated or zeroed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tests.takes.board import Board, Claim, Reading, Rendered
from tests.takes.needs import Cause, Needs, Order
from tests.takes.strokes import LATTICE_HZ

Floats = NDArray[np.float64]
Rng = np.random.Generator


def overload(board: Board, rng: Rng, order: Order) -> None:
    """Set the input's gain too high: every top beyond full scale is cut at the last code."""
    board.overload = 0.97 if order.times < 1.0 else float(rng.uniform(1.04, 1.08 + 0.1 * order.times))
    board.values["overload"] = round(board.overload, 4)

    def read(take: Rendered) -> Reading:
        over = 1.0 if board.overload is not None and board.overload > 1.0 else 0.0
        return Reading(value=over, limit=0.5, start_s=take.start_s, end_s=take.end_s)

    board.claims.append(Claim(kind="capture-overload", read=read))


def quiet(board: Board, rng: Rng, order: Order) -> None:
    """Set the input's gain far too low; the interface is a good one, or nothing would be left to hear."""
    level_dbfs = -50.0 - 20.0 * float(np.log10(order.times))
    board.level_dbfs = level_dbfs
    floor_dbfs = float(rng.uniform(-118.0, -112.0))
    board.recorder = replace(
        board.recorder, noise_dbfs=floor_dbfs, hum_dbfs=level_dbfs - 70.0, dc_fs=0.0, subtype="PCM_24"
    )

    def read(take: Rendered) -> Reading:
        settled = take.level[take.frames]
        measured_dbfs = level_dbfs + 20.0 * float(np.log10(np.max(settled))) if len(settled) else level_dbfs
        return Reading(value=-measured_dbfs, limit=50.0, scale="db", fault=70.0, start_s=take.start_s, end_s=take.end_s)

    board.claims.append(Claim(kind="capture-quiet", read=read))


def gap(board: Board, rng: Rng, _order: Order) -> None:
    """Lose samples, repeat a block, or write zeros, one to three times while the tone stands."""
    form = str(rng.choice(["lost", "repeated", "zeros"]))
    count = int(rng.integers(1, 4))
    shares = np.sort(rng.uniform(0.12, 0.9, count))
    wanted = rng.uniform(20.0, 1500.0, count)
    parts = rng.uniform(0.2, 0.8, count)
    places_s: list[float] = []

    def damage(samples: Floats, rate_hz: float) -> Floats:
        from tests.takes.board import laws

        places_s.clear()
        time_s, f0_hz, grown, _level, _whole = laws(board)
        up = np.flatnonzero(grown > 0.9)
        standing_s = time_s[up[(up > up[0] + 0.4 * LATTICE_HZ) & (up < up[-1] - 0.4 * LATTICE_HZ)]]
        out = samples.copy()
        for share, length, part in sorted(zip(shares, wanted, parts, strict=True), reverse=True):
            at_s = float(standing_s[int(share * (len(standing_s) - 1))])
            period = rate_hz / float(np.interp(at_s, time_s, f0_hz))
            # Whole cycles lost leave no trace: a part of one is always lost here.
            lost = max(4, round((np.floor(length / period) + part) * period))
            n = int(at_s * rate_hz)
            if form == "lost":
                out = np.concatenate((out[:n], out[n + lost :]))
            elif form == "repeated":
                out[n : n + lost] = out[n - lost : n].copy()
            else:
                out[n : n + max(lost, int(0.002 * rate_hz))] = 0.0
            places_s.append(at_s)
        return out

    board.damage.append(damage)
    board.values["gap"] = {"form": form, "count": count}

    def read(take: Rendered) -> Reading:
        board.values["gap"]["places_s"] = [round(p, 3) for p in sorted(places_s)]
        return Reading(
            value=1.0, limit=0.5, start_s=min(places_s, default=take.start_s) - 0.05,
            end_s=max(places_s, default=take.end_s) + 0.05,
        )  # fmt: skip

    board.claims.append(Claim(kind="capture-gap", read=read))


def _overload_needs(_rng: Rng, _order: Order) -> Needs:
    return Needs(lowest_hz=70.0)


def _quiet_needs(_rng: Rng, _order: Order) -> Needs:
    return Needs(lowest_hz=70.0, noise_dbc=-62.0)


def _gap_needs(_rng: Rng, _order: Order) -> Needs:
    return Needs(lowest_hz=90.0)


CAUSES = (
    Cause(kind="capture-overload", needs=_overload_needs, build=overload, group="capture"),
    Cause(kind="capture-quiet", needs=_quiet_needs, build=quiet, group="capture"),
    Cause(kind="capture-gap", needs=_gap_needs, build=gap, group="capture"),
)
