"""Boards, in order or with one fault, in recorded rooms: speech, knocks, keys and hum before, under and after them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.takes import sounds
from tests.takes.board import Board
from tests.takes.builds import healthy_board
from tests.takes.class_healthy import finished
from tests.takes.class_single import CAUSES
from tests.takes.envelopes import decay
from tests.takes.extras import from_db
from tests.takes.files import Made, TakeClass
from tests.takes.needs import Needs, Order, draw_board
from tests.takes.truths import NEAR_DB, Truth

Floats = NDArray[np.float64]
Rng = np.random.Generator

FAULTS = (
    "asymmetric-clipping",
    "symmetric-clipping",
    "even-order-distortion",
    "odd-order-distortion",
    "level-drift",
    "amplitude-hunting",
    "amplitude-bounce",
    "pitch-instability",
    "oscillation-dropout",
    "slow-start",
)

UNDER_NOTHING_DBC = -51.0
"""Speech and rooms below this, under the tone, are nothing."""


def _healthy(rng: Rng) -> Board:
    board = healthy_board(rng, str(rng.choice(["clean", "jfet", "ldr", "diodes"])), needs=Needs(lowest_hz=80.0))
    board.behind.clear()
    return board


def _faulty(rng: Rng) -> Board:
    kind = str(rng.choice(FAULTS))
    order = Order(times=float(rng.uniform(2.5, 5.0)))
    needs = CAUSES[kind].needs(rng, order) & Needs(lowest_hz=90.0)
    board = draw_board(rng, needs)
    board.behind.clear()
    CAUSES[kind].build(board, rng, order)
    return board


def _excerpt(rng: Rng, group: str, board: Board, at: Callable[[float], float], dbc: float) -> float:
    """Lay one recorded sound into the take at ``at(its seconds)``; return the level of the hum in it, dBc."""
    name = str(rng.choice(sounds.files(group)))
    wave = sounds.sound(name, group, board.rate_hz)
    begin_s = at(len(wave) / board.rate_hz)

    def step(samples: Floats, rate_hz: float, tone_fs: float) -> Floats:
        size = tone_fs * from_db(dbc) / np.sqrt(2.0)
        return samples + size * sounds.placed(wave, len(samples), int(begin_s * rate_hz))

    board.behind.append(step)
    board.values.setdefault("sounds", []).append(
        {
            "file": name,
            "dbc": round(dbc, 2),
            "start_s": round(begin_s, 3),
            "seconds": round(len(wave) / board.rate_hz, 3),
        }
    )
    hum = sounds.hum_of(name, group, board.rate_hz)
    return dbc + 20.0 * float(np.log10(max(hum, 1e-6))) - 3.01


def _room(rng: Rng, board: Board, dbc: float, truth: Truth) -> None:
    """A room before, under and after: its r.m.s. against the tone's; its hum is judged as hum."""
    name = str(rng.choice(sounds.files("room")))
    count = int(board.play.end_s * board.rate_hz)
    wave, hum = sounds.lengthened(name, board.rate_hz, count, rng)

    def step(samples: Floats, _rate_hz: float, tone_fs: float) -> Floats:
        return samples + tone_fs * from_db(dbc) / np.sqrt(2.0) * wave

    board.behind.append(step)
    hum_dbc = dbc + 20.0 * float(np.log10(max(hum, 1e-6))) - 3.01
    board.values |= {"room": name, "room_dbc": round(dbc, 2), "room_hum_dbc": round(hum_dbc, 2)}
    if hum_dbc >= -50.0 + NEAR_DB:
        truth.expect("mains-hum", 0.0, board.play.end_s)
    elif hum_dbc > -50.0 - 2.0 * NEAR_DB:
        truth.allow("mains-hum", f"the room's hum is {hum_dbc:.1f} dBc, near")
    if dbc > UNDER_NOTHING_DBC:
        truth.allow("unexplained", "the room is over -51 dBc")


def _before(rng: Rng, board: Board, group: str, truth: Truth) -> None:
    power_s = board.play.power_s
    dbc = float(rng.uniform(-35.0, -5.0))
    hum_dbc = _excerpt(rng, group, board, lambda s: max(power_s - s - float(rng.uniform(0.05, 0.4)), -0.6 * s), dbc)
    _hum_of_excerpt(truth, hum_dbc)


def _hum_of_excerpt(truth: Truth, hum_dbc: float) -> None:
    if hum_dbc > -50.0 - 2.0 * NEAR_DB:
        truth.allow("mains-hum", f"the excerpt hums itself, {hum_dbc:.1f} dBc")


def _under(rng: Rng, board: Board, group: str, dbc: float, truth: Truth) -> None:
    first_s, last_s = board.play.power_s + 1.2 * board.rise_s + 0.3, board.play.end_s - 0.3
    for _ in range(int(rng.integers(1, 3))):
        hum_dbc = _excerpt(
            rng, group, board, lambda s: float(rng.uniform(first_s, max(last_s - s, first_s + 0.1))), dbc
        )
        _hum_of_excerpt(truth, hum_dbc)
    if dbc > UNDER_NOTHING_DBC:
        truth.allow("unexplained", f"a sound of the room at {dbc:.1f} dBc under the tone")


def _at_power(rng: Rng, board: Board, truth: Truth) -> None:
    power_s = board.play.power_s
    dbc = float(rng.uniform(-35.0, -12.0))
    hum_dbc = _excerpt(rng, "speech", board, lambda s: power_s - float(rng.uniform(0.3, 0.7)) * min(s, 1.5), dbc)
    _hum_of_excerpt(truth, hum_dbc)
    truth.allow("unexplained", "the word goes on under the tone")


def _after(rng: Rng, board: Board, group: str, truth: Truth) -> None:
    """Switched off, and the room goes on."""
    tail_s, fall_s = float(rng.uniform(1.2, 2.4)), float(rng.uniform(0.01, 0.15))
    off_s = board.play.end_s - tail_s - fall_s
    board.wholly.append(lambda time_s, _f0: decay(time_s, off_s, fall_s / 4.6))
    board.values["off_s"] = round(off_s, 3)
    hum_dbc = _excerpt(
        rng, group, board, lambda _s: off_s + fall_s + float(rng.uniform(0.2, 0.5)), float(rng.uniform(-35.0, -8.0))
    )
    _hum_of_excerpt(truth, hum_dbc)
    truth.expect("oscillation-dropout", off_s, board.play.end_s)


def _spoken_before(rng: Rng, board: Board, truth: Truth) -> None:
    said = sounds.spoken(
        int(rng.integers(len(sounds.PHRASES))), board.rate_hz, int(rng.integers(20, 80)), int(rng.integers(130, 190))
    )
    dbc, begin_s = float(rng.uniform(-35.0, -5.0)), board.play.power_s - len(said) / board.rate_hz - 0.1

    def step(samples: Floats, rate_hz: float, tone_fs: float) -> Floats:
        size = tone_fs * from_db(dbc) / np.sqrt(2.0)
        return samples + size * sounds.placed(said, len(samples), int(begin_s * rate_hz))

    board.behind.append(step)
    board.values["spoken_dbc"] = round(dbc, 2)
    _ = truth


Place = Callable[[Rng, Board, Truth], None]

PLACES: dict[str, Place] = {
    "speech-before": lambda rng, board, truth: _before(rng, board, "speech", truth),
    "knock-before": lambda rng, board, truth: _before(rng, board, "knock", truth),
    "keys-before": lambda rng, board, truth: _before(rng, board, "keys", truth),
    "word-at-power": _at_power,
    "speech-under-faint": lambda rng, b, t: _under(rng, b, "speech", float(rng.uniform(-60.0, -51.5)), t),
    "knock-under-faint": lambda rng, b, t: _under(rng, b, "knock", float(rng.uniform(-60.0, -51.5)), t),
    "keys-under-faint": lambda rng, b, t: _under(rng, b, "keys", float(rng.uniform(-60.0, -51.5)), t),
    "room-quiet": lambda rng, board, truth: _room(rng, board, float(rng.uniform(-72.0, -55.0)), truth),
    "room-loud": lambda rng, board, truth: _room(rng, board, float(rng.uniform(-50.0, -36.0)), truth),
}
"""Places of a sound that leave a fault of the board to be told."""

HEALTHY_ONLY: dict[str, Place] = {
    "speech-under-loud": lambda rng, b, t: _under(rng, b, "speech", float(rng.uniform(-45.0, -25.0)), t),
    "knock-under-loud": lambda rng, b, t: _under(rng, b, "knock", float(rng.uniform(-45.0, -25.0)), t),
    "keys-under-loud": lambda rng, b, t: _under(rng, b, "keys", float(rng.uniform(-45.0, -25.0)), t),
    "speech-after": lambda rng, board, truth: _after(rng, board, "speech", truth),
    "knock-after": lambda rng, board, truth: _after(rng, board, "knock", truth),
}


def variants() -> list[str]:
    """Return what this machine can make."""
    if sounds.folder() is None:
        return []
    found = [f"healthy/{place}" for place in (*PLACES, *HEALTHY_ONLY)] + [f"fault/{place}" for place in PLACES]
    return found + (["healthy/spoken-before"] if sounds.speaks() else [])


def _make(variant: str, _seed: int, rng: Rng) -> Made:
    state, place = variant.split("/")
    board = _healthy(rng) if state == "healthy" else _faulty(rng)
    truth = Truth()
    ({**PLACES, **HEALTHY_ONLY, "spoken-before": _spoken_before})[place](rng, board, truth)
    return finished(board, rng, truth)


ROOM = TakeClass(name="room", variants=variants, make=_make)
