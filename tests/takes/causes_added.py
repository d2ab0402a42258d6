"""Causes that add to the wave: a parasitic oscillation, half orders, the mains."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.takes.board import Board, Claim, Playing, Reading, Rendered
from tests.takes.extras import Burst, burst_wave, draw_hum, from_db, half_order_wave, hum_wave
from tests.takes.needs import Cause, Needs, Order
from tests.takes.truths import limits_of

Floats = NDArray[np.float64]
Rng = np.random.Generator


def standing(level: Floats) -> Floats:
    """Return 0..1: what the amplifier does only while the tone stands."""
    return np.clip((level - 0.25) / 0.35, 0.0, 1.0)


def _whole(take: Rendered, dbc: float, limit: float, fault: float) -> Reading:
    return Reading(value=dbc, limit=limit, fault=fault, scale="db", start_s=take.start_s, end_s=take.end_s)


def dbc_of(order: Order, attention: float) -> float:
    """Level of a cause whose limit is in decibels."""
    return attention + 20.0 * float(np.log10(order.times))


def parasite(board: Board, rng: Rng, order: Order) -> None:
    """Build a burst on a part of the cycle, or an oscillation that never stops, within the file's band."""
    attention, fault = limits_of("parasitic-oscillation", board.gain_control)
    dbc = dbc_of(order, attention)
    top_share = 0.40
    hz = float(rng.uniform(max(0.15 * board.rate_hz, 13.0 * board.play.high_hz), top_share * board.rate_hz))
    free = rng.random() < 0.3
    place = float(rng.choice([0.0, 0.0, 0.5, 0.25, 0.8]))
    burst = Burst(
        hz=hz,
        centre_turns=place + float(rng.uniform(-0.02, 0.02)),
        width_turns=0.0 if free else float(rng.uniform(0.06, 0.18)),
        starts=str(rng.choice(["own", "again"])),
    )
    low, high = board.play.low_hz, board.play.high_hz
    onset = low * (high / low) ** float(rng.uniform(0.2, 0.5)) if not order.company and rng.random() < 0.4 else 0.0

    def sound(here: Playing) -> Floats:
        size = from_db(dbc) / np.sqrt(2.0) * standing(here.level)
        if onset:
            size = size * np.clip(np.log2(here.f0_hz / onset) * 6.0, 0.0, 1.0)
        return np.asarray(size * burst_wave(burst, here.phase, here.time_s, here.rng))

    board.added.append(sound)
    board.values["burst"] = {
        "hz": round(hz, 1), "place": round(burst.centre_turns, 3), "width": round(burst.width_turns, 3),
        "starts": "free line" if free else burst.starts, "dbc": round(dbc, 2), "onset_hz": round(onset, 1),
    }  # fmt: skip
    board.claims.append(Claim(kind="parasitic-oscillation", read=lambda take: _whole(take, dbc, attention, fault)))


def half_orders(board: Board, rng: Rng, order: Order) -> None:
    """Build alternate cycles that differ: lines at 1/2, 3/2 and 5/2 of the pitch."""
    attention, fault = limits_of("subharmonic", board.gain_control)
    dbc = dbc_of(order, attention)
    shares = np.array([1.0, float(rng.uniform(0.0, 0.8)), float(rng.uniform(0.0, 0.3))])
    if rng.random() < 0.3:
        shares = np.array([1.0, 0.0, 0.0])
    turns = rng.uniform(0.0, 2.0 * np.pi, 3)

    def sound(here: Playing) -> Floats:
        return np.asarray(from_db(dbc) * here.level * half_order_wave(here.phase, shares, turns))

    board.added.append(sound)
    board.values["half_orders"] = {"dbc": round(dbc, 2), "shares": [round(float(s), 3) for s in shares]}

    def read(take: Rendered) -> Reading:
        left = dbc + _cut_with_the_tops_db(board)
        return Reading(
            value=dbc, combined=left, limit=attention, fault=fault, scale="db", start_s=take.start_s, end_s=take.end_s
        )

    board.claims.append(Claim(kind="subharmonic", read=read))


def _cut_with_the_tops_db(board: Board) -> float:
    """What an overloaded input leaves of a faint line against the tone: it passes only while no top is cut."""
    if board.overload is None or board.overload <= 1.0:
        return 0.0
    a = 1.0 / board.overload
    passes = 2.0 / np.pi * np.arcsin(a)
    fundamental = 2.0 / np.pi * (np.arcsin(a) + a * np.sqrt(1.0 - a * a))
    return float(20.0 * np.log10(passes / fundamental))


def mains(board: Board, rng: Rng, order: Order) -> None:
    """Build hum: lines beside the tone, or the supply's ripple in its level or its pitch."""
    attention, fault = limits_of("mains-hum", board.gain_control)
    dbc = dbc_of(order, attention)
    mains_hz = board.recorder.hum_hz
    form = "added"
    if board.play.low_hz >= 330.0 and not order.company:
        form = str(rng.choice(["level", "pitch", "added"]))
    board.values["hum"] = {"form": form, "dbc": round(dbc, 2), "mains_hz": mains_hz}
    if form == "added":
        _add_hum(board, rng, mains_hz, dbc)
    else:
        _ripple(board, rng, form, mains_hz * float(rng.choice([1.0, 2.0, 2.0])), dbc)

    def read(take: Rendered) -> Reading:
        start_s = 0.0 if form == "added" else take.start_s
        return Reading(value=dbc, limit=attention, fault=fault, scale="db", start_s=start_s, end_s=board.play.end_s)

    board.claims.append(Claim(kind="mains-hum", read=read))


def _add_hum(board: Board, rng: Rng, mains_hz: float, dbc: float) -> None:
    hum = draw_hum(rng, mains_hz, breathing=False)

    def sound(here: Playing) -> Floats:
        return from_db(dbc) * hum_wave(hum, len(here.time_s), here.rate_hz)

    board.added.append(sound)
    board.values["hum"]["shares"] = [round(float(s), 3) for s in hum.shares]


def _ripple(board: Board, rng: Rng, form: str, line_hz: float, dbc: float) -> None:
    """Two sidebands of equal size, r.s.s. as wanted: half the depth each, or half the index."""
    depth = np.sqrt(2.0) * from_db(dbc)
    turn = float(rng.uniform(0.0, 6.28))
    if form == "level":
        board.factors.append(lambda time_s, _f0: 1.0 + depth * np.sin(2.0 * np.pi * line_hz * time_s + turn))
        return
    board.cents.append(
        lambda time_s, f0_hz: (
            1200.0 * np.log2(1.0 + depth * line_hz / f0_hz * np.sin(2.0 * np.pi * line_hz * time_s + turn))
        )
    )


def _parasite_needs(_rng: Rng, _order: Order) -> Needs:
    return Needs(lowest_hz=80.0, top_share=1 / 34, noise_dbc=-64.0)


def _half_needs(_rng: Rng, _order: Order) -> Needs:
    return Needs(lowest_hz=90.0)


def _hum_needs(rng: Rng, order: Order) -> Needs:
    if not order.company and rng.random() < 0.4:
        return Needs(lowest_hz=350.0, top_at_least_hz=900.0)
    return Needs(lowest_hz=80.0)


CAUSES = (
    Cause(kind="parasitic-oscillation", needs=_parasite_needs, build=parasite, group="added"),
    Cause(kind="subharmonic", needs=_half_needs, build=half_orders, group="added"),
    Cause(kind="mains-hum", needs=_hum_needs, build=mains, group="added"),
)
