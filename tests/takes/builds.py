"""Boards in order: what each gain control does to level and shape when nothing is wrong."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.takes.board import Board
from tests.takes.cycles import PHASE, Stage
from tests.takes.envelopes import settling_ring
from tests.takes.families.pick import log_uniform
from tests.takes.needs import Needs, draw_recorder, pitch_range, surround
from tests.takes.strokes import LATTICE_HZ, Play, whole_take

Floats = NDArray[np.float64]
Rng = np.random.Generator

BUILDS = ("clean", "diodes", "jfet", "lamp", "ldr")


def harmonic_stage(sizes: Floats, turns: Floats, **values: float | str) -> Stage:
    """Return harmonics 2.. of fixed sizes and phases, in proportion to the level."""
    orders = np.arange(2, 2 + len(sizes))[:, None]
    extra = np.sum(sizes[:, None] * np.cos(orders * PHASE + turns[:, None]), axis=0)
    return Stage(kind="", linear=True, values=dict(values), bend=lambda wave, _f0, level: wave + level * extra)


def falling_harmonics(rng: Rng, thd_percent: float) -> Stage:
    """Return harmonics 2 to 7 that fall, of a given THD, at phases of any kind."""
    sizes = 10.0 ** (-float(rng.uniform(0.3, 0.9)) * np.arange(6)) * rng.uniform(0.3, 1.0, 6)
    sizes *= 0.01 * thd_percent / np.sqrt(np.sum(sizes**2))
    return harmonic_stage(sizes, rng.uniform(0.0, 2.0 * np.pi, 6), thd_percent=round(thd_percent, 4))


def _along(board: Board, span_db: float, power: float = 1.0) -> None:
    low, octaves = board.play.low_hz, float(np.log2(board.play.high_hz / board.play.low_hz))
    board.values["level_span_db"] = round(span_db, 3)
    if octaves < 0.05:
        return
    board.drive_db.append(lambda _t, f0_hz: -span_db * np.clip(np.log2(f0_hz / low) / octaves, 0.0, 1.0) ** power)


def _clean(board: Board, rng: Rng) -> None:
    board.stages.append(falling_harmonics(rng, log_uniform(rng, 0.05, 0.7)))
    _along(board, float(rng.uniform(0.0, 0.5)))


def _diodes(board: Board, rng: Rng) -> None:
    """A bare limiter: 1 to 2 % of third harmonic at 130 to 136 degrees, 2 dB along a mismatched gang."""
    board.gain_control = "diodes"
    third = float(rng.uniform(0.008, 0.0205))
    turns = np.array([0.0, np.deg2rad(rng.uniform(130.0, 136.0)), 0.0, np.pi])
    second = float(rng.uniform(0.0, 0.002))
    board.stages.append(harmonic_stage(np.array([second, third, 0.0, 0.1 * third]), turns, third=round(third, 4)))
    _along(board, float(rng.uniform(0.0, 2.3)))


def _jfet(board: Board, rng: Rng) -> None:
    """Second harmonic of the channel, third of the detector's ripple that falls with the pitch."""
    board.gain_control = "jfet" if rng.random() < 0.6 else None
    second, ripple = float(rng.uniform(0.0005, 0.006)), float(rng.uniform(0.0005, 0.004))
    turn = np.deg2rad(float(rng.choice([120.0, -60.0])) + float(rng.uniform(-10.0, 10.0)))
    low = board.play.low_hz
    even, odd = np.cos(2.0 * PHASE + turn), np.cos(3.0 * PHASE + float(rng.uniform(1.8, 2.6)))
    board.stages.append(
        Stage(
            kind="",
            linear=True,
            values={"second": round(second, 5), "ripple": round(ripple, 5)},
            bend=lambda wave, f0, level: wave + level * (second * even + ripple * low / np.maximum(f0, low) * odd),
        )
    )
    _along(board, float(rng.uniform(0.0, 0.6)))


def _lamp(board: Board, rng: Rng) -> None:
    """Clean; after a quick move, and after power, the level rings for a while, within what a lamp does."""
    board.gain_control = "lamp"
    board.stages.append(falling_harmonics(rng, log_uniform(rng, 0.004, 0.15)))
    time_s = board.play.lattice_s()
    octaves = np.log2(board.play.control.f0_hz(time_s))
    damping, natural = float(rng.uniform(0.12, 0.4)), float(rng.uniform(9.0, 30.0))
    natural = max(natural, 2.5 / damping)
    ring = settling_ring(octaves, damping, natural)
    peak = float(np.max(np.abs(ring))) if board.play.moves else 1.0
    size_db = float(rng.uniform(0.4, 1.6)) * float(rng.choice([-1.0, 1.0]))
    decibels = size_db * ring / peak
    started = time_s - board.play.power_s - 1.3 * board.rise_s
    over_db = float(rng.uniform(0.2, 1.4))
    ringing = natural * np.sqrt(1.0 - damping**2)
    decibels += np.where(
        started > 0.0, over_db * np.exp(-damping * natural * started) * np.sin(ringing * np.maximum(started, 0.0)), 0.0
    )
    board.factors.append(lambda t, _f0: 10.0 ** (decibels[: len(t)] / 20.0))
    board.values["lamp"] = {"ring_db": round(size_db, 3), "start_db": round(over_db, 3), "damping": round(damping, 3),
                            "hz": round(ringing / 6.2832, 3)}  # fmt: skip


def _ldr(board: Board, rng: Rng) -> None:
    """Cells that follow a move late and creep for seconds."""
    board.gain_control = "ldr" if rng.random() < 0.6 else None
    board.stages.append(falling_harmonics(rng, log_uniform(rng, 0.05, 0.6)))
    lag_s, creep_cents = float(rng.uniform(0.008, 0.04)), float(rng.uniform(1.0, 5.0))

    def lag(time_s: Floats, f0_hz: Floats) -> Floats:
        octaves = np.log2(f0_hz / f0_hz[0])
        fast = _first_order(octaves, lag_s) - octaves
        slow = _first_order(octaves, 2.5) - octaves
        return np.asarray(1200.0 * fast + creep_cents * slow)[: len(time_s)]

    board.cents.append(lag)
    board.values["ldr"] = {"lag_s": round(lag_s, 4), "creep_cents_per_octave": round(creep_cents, 2)}
    _along(board, float(rng.uniform(0.0, 0.7)))


def _first_order(values: Floats, time_constant_s: float) -> Floats:
    from scipy import signal

    share = 1.0 - np.exp(-1.0 / (time_constant_s * LATTICE_HZ))
    return np.asarray(signal.lfilter([share], [1.0, share - 1.0], values - values[0]) + values[0])


_BUILD = {"clean": _clean, "diodes": _diodes, "jfet": _jfet, "lamp": _lamp, "ldr": _ldr}


def healthy_board(
    rng: Rng, build: str, *, needs: Needs | None = None, play: Play | None = None, rate_hz: int | None = None
) -> Board:
    """Draw a board in order: in a whole take, or in a play that is given."""
    needs = needs or Needs(lowest_hz=45.0)
    rate_hz = rate_hz or int(rng.choice(needs.rates_hz))
    if play is None:
        low_hz, high_hz = pitch_range(rng, needs, rate_hz)
        play = whole_take(rng, low_hz, high_hz, mains_clear=bool(rng.random() < 0.5))
    level_dbfs = float(rng.uniform(-20.0, -3.5))
    board = Board(
        play=play,
        recorder=draw_recorder(rng, rate_hz, level_dbfs, needs),
        level_dbfs=level_dbfs,
        rise_s=log_uniform(rng, 0.03, 0.3),
        kick=log_uniform(rng, 5e-4, 8e-3),
    )
    board.values["build"] = build
    _BUILD[build](board, rng)
    surround(rng, board, most_tremor_cents=0.8, most_room_dbc=-68.0)
    return board
