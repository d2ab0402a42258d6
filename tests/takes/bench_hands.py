"""Takes as a bench gives them: what hands, controls and contacts do."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.takes.board import Board, Playing
from tests.takes.builds import BUILDS, healthy_board
from tests.takes.envelopes import band_noise, decay, gate
from tests.takes.extras import click, coloured, draw_hum, from_db, hum_wave, knock, thump
from tests.takes.families.pick import log_uniform
from tests.takes.needs import Needs
from tests.takes.strokes import begin, clear_of_mains
from tests.takes.truths import Truth

Floats = NDArray[np.float64]
Rng = np.random.Generator
Family = Callable[[Rng], tuple[Board, Truth]]

LISTENING = Needs(lowest_hz=80.0)


def _board(rng: Rng, build: str | None = None) -> Board:
    return healthy_board(rng, build or str(rng.choice(["clean", "jfet", "ldr"])), needs=LISTENING)


def behind_of(wave: Callable[[int, float], Floats], dbc: float) -> Callable[[Floats, float, float], Floats]:
    """Return a step that adds a sound of r.m.s. 1 at a level against the tone."""

    def step(samples: Floats, rate_hz: float, tone_fs: float) -> Floats:
        return samples + wave(len(samples), rate_hz) * (tone_fs * from_db(dbc) / np.sqrt(2.0))

    return step


def add_hum(board: Board, rng: Rng, dbc: float, law: Callable[[Floats], Floats] | None = None) -> None:
    """Add hum beside the tone, everywhere or by a law of time."""
    hum = draw_hum(rng, float(rng.choice([50.0, 60.0])))

    def sound(here: Playing) -> Floats:
        wave = from_db(dbc) * hum_wave(hum, len(here.time_s), here.rate_hz)
        return wave if law is None else wave * law(here.time_s)

    board.added.append(sound)
    board.values["hum"] = {"dbc": round(dbc, 2), "mains_hz": round(hum.mains_hz, 3)}


def touches(board: Board, rng: Rng) -> list[tuple[float, float]]:
    """Times at which a hand touches the control: each turn, a little before and after."""
    found: list[tuple[float, float]] = []
    for stroke in board.play.control.strokes:
        if stroke.shape == "rest" or stroke.start_s < board.play.power_s:
            continue
        start_s = stroke.start_s - float(rng.uniform(0.25, 0.5))
        end_s = stroke.end_s + float(rng.uniform(0.25, 0.5))
        if found and start_s < found[-1][1]:
            found[-1] = (found[-1][0], end_s)
        else:
            found.append((start_s, end_s))
    return found


def _hands_hum(rng: Rng, dbc: float) -> tuple[Board, Truth]:
    board = _board(rng)
    pieces = touches(board, rng)

    def law(time_s: Floats) -> Floats:
        return np.max([gate(time_s, a, b, 0.12) for a, b in pieces], axis=0)

    add_hum(board, rng, dbc, law)
    truth = Truth()
    if dbc > -48.0:
        truth.expect("mains-hum", pieces[0][0], pieces[-1][1])
    return board, truth


def hands_hum_faint(rng: Rng) -> tuple[Board, Truth]:
    """A hand on the control lets a little hum in."""
    return _hands_hum(rng, float(rng.uniform(-66.0, -54.0)))


def hands_hum_heard(rng: Rng) -> tuple[Board, Truth]:
    """A hand on the control lets much hum in, for as long as it touches."""
    return _hands_hum(rng, float(rng.uniform(-45.0, -36.0)))


def detents(rng: Rng) -> tuple[Board, Truth]:
    """A control with detents: a turn is a stair of small steps."""
    board = _board(rng)
    semitones = float(rng.uniform(0.25, 1.0))
    power_s = board.play.power_s
    score = begin(clear_of_mains(board.play.low_hz))
    score.rest(power_s + float(rng.uniform(1.8, 2.6)))
    for to_hz in (board.play.high_hz, board.play.low_hz):
        steps = int(abs(12.0 * np.log2(to_hz / score.pitch_hz)) / semitones)
        ratio = (to_hz / score.pitch_hz) ** (1.0 / max(steps, 1))
        for _ in range(steps):
            score.turn(score.pitch_hz * ratio, float(rng.uniform(0.012, 0.03)), "smooth")
            score.rest(float(rng.uniform(0.05, 0.16)))
        score.rest(float(rng.uniform(1.6, 2.6)))
    play = score.play(power_s)
    return healthy_board(rng, "clean", play=play, rate_hz=board.rate_hz), Truth()


def scratchy(rng: Rng) -> tuple[Board, Truth]:
    """A worn track: pitch and level tremble while the control moves, and only then."""
    board = _board(rng, "clean")
    held = [s for s in board.play.control.strokes if s.shape == "rest"]
    time_s = board.play.lattice_s()
    moving = 1.0 - np.max([gate(time_s, s.start_s - 0.02, s.end_s + 0.02, 0.02) for s in held], axis=0)
    cents = float(rng.uniform(1.0, 4.0)) * band_noise(rng, board.play.end_s + 0.1, 120.0)[: len(time_s)] * moving
    flicker = float(rng.uniform(0.02, 0.08)) * band_noise(rng, board.play.end_s + 0.1, 120.0)[: len(time_s)] * moving
    board.cents.append(lambda t, _f0: cents[: len(t)])
    board.factors.append(lambda t, _f0: 10.0 ** (flicker[: len(t)] / 20.0))
    truth = Truth()
    truth.allow("unexplained", "noise of the track beside the tone while it is turned")
    return board, truth


def _rest_places(board: Board, rng: Rng, count: int) -> list[float]:
    rests = [r for r in board.play.rests_s if r[1] - r[0] > 0.6]
    chosen = rng.choice(len(rests), min(count, len(rests)), replace=False)
    return sorted(float(rng.uniform(rests[i][0] + 0.2, rests[i][1] - 0.2)) for i in chosen)


def relay_clicks(rng: Rng) -> tuple[Board, Truth]:
    """A relay clicks while it sings."""
    board = _board(rng)
    places_s = _rest_places(board, rng, int(rng.integers(1, 4)))
    size, length_s = from_db(float(rng.uniform(-30.0, -10.0))), float(rng.uniform(0.0004, 0.002))

    def sound(here: Playing) -> Floats:
        clicks = [click(len(here.time_s), here.rate_hz, at_s, length_s, here.rng) for at_s in places_s]
        return np.asarray(size * np.sum(clicks, axis=0))

    board.added.append(sound)
    board.values["clicks_s"] = [round(p, 3) for p in places_s]
    truth = Truth()
    truth.allow("unexplained", "the click itself")
    return board, truth


def plug_thumps(rng: Rng) -> tuple[Board, Truth]:
    """The plug goes in before the supply is switched on: thumps, and hum while a finger touches the tip."""
    board = _board(rng)
    power_s = board.play.power_s
    count = int(rng.integers(1, 4))
    places_s = np.sort(rng.uniform(0.1, max(power_s - 0.25, 0.15), count))
    sizes = from_db(float(rng.uniform(-25.0, -3.0))) * rng.choice([-1.0, 1.0], count)
    settles_s = rng.uniform(0.004, 0.05, count)

    def sound(here: Playing) -> Floats:
        wave = np.zeros(len(here.time_s))
        for at_s, size, settle_s in zip(places_s, sizes, settles_s, strict=True):
            wave += size * thump(here.time_s, float(at_s), float(settle_s))
            wave += abs(size) * click(len(here.time_s), here.rate_hz, float(at_s), 0.002, here.rng)
        return wave

    board.added.append(sound)
    return board, Truth()


def _knocks(rng: Rng, board: Board, places_s: list[float], low_dbc: float, high_dbc: float) -> None:
    sizes = [from_db(float(rng.uniform(low_dbc, high_dbc))) for _ in places_s]

    def wood(count: int, rate_hz: float) -> Floats:
        return np.sum([s * knock(rng, count, rate_hz, p) for p, s in zip(places_s, sizes, strict=True)], axis=0)

    board.behind.append(behind_of(wood, 0.0))
    board.values["knocks_s"] = [round(p, 3) for p in places_s]


def knock_before(rng: Rng) -> tuple[Board, Truth]:
    """A knock on the table before the supply is switched on, -35 to -5 dBc."""
    board = _board(rng)
    places_s = [float(rng.uniform(0.05, board.play.power_s - 0.3)) for _ in range(int(rng.integers(1, 3)))]
    _knocks(rng, board, places_s, -35.0, -5.0)
    return board, Truth()


def knock_during(rng: Rng) -> tuple[Board, Truth]:
    """A knock while it sings: an event."""
    board = _board(rng)
    _knocks(rng, board, _rest_places(board, rng, int(rng.integers(1, 3))), -38.0, -20.0)
    truth = Truth()
    truth.allow("unexplained", "the knock itself")
    return board, truth


def knock_after(rng: Rng) -> tuple[Board, Truth]:
    """Switched off, and a knock in the room that goes on."""
    board, truth = _switched_off(rng, float(rng.uniform(1.2, 2.8)))
    off_s = float(board.values["off_s"])
    _knocks(rng, board, [off_s + float(rng.uniform(0.5, 0.9))], -35.0, -8.0)
    return board, truth


def _switched_off(rng: Rng, tail_s: float) -> tuple[Board, Truth]:
    """Switch the supply off so long before the end; it is a stop, or, with half a second of floor, it died."""
    board = _board(rng, str(rng.choice([b for b in BUILDS if b != "lamp"])))
    fall_s = log_uniform(rng, 0.01, 0.2)
    off_s = board.play.end_s - tail_s - fall_s
    board.wholly.append(lambda time_s, _f0: decay(time_s, off_s, fall_s / 4.6))
    board.values |= {"off_s": round(off_s, 4), "fall_s": round(fall_s, 4), "tail_s": round(tail_s, 3)}
    truth = Truth()
    if tail_s > 0.5:
        truth.expect("oscillation-dropout", off_s, board.play.end_s)
        truth.allowed.append({"kind": "switched-off", "why": "is among the causes"})
    else:
        truth.notes.append("switched-off")
    return board, truth


def off_short(rng: Rng) -> tuple[Board, Truth]:
    """Switched off just before the recorder."""
    return _switched_off(rng, float(rng.uniform(0.08, 0.38)))


def off_long(rng: Rng) -> tuple[Board, Truth]:
    """Switched off, and the recorder runs on for a while."""
    return _switched_off(rng, float(rng.uniform(0.7, 3.0)))


def fade_end(rng: Rng) -> tuple[Board, Truth]:
    """An editor's fade at the end."""
    board = _board(rng)
    fade_s = log_uniform(rng, 0.05, 0.5)
    end_s = board.play.end_s
    law = "linear" if rng.random() < 0.5 else "cosine"

    def fade(samples: Floats, rate_hz: float, _tone: float) -> Floats:
        left = np.clip((end_s - np.arange(len(samples)) / rate_hz) / fade_s, 0.0, 1.0)
        return samples * (left if law == "linear" else 0.5 - 0.5 * np.cos(np.pi * left))

    board.behind.append(fade)
    board.values["fade"] = {"seconds": round(fade_s, 3), "law": law}
    truth = Truth()
    truth.notes.append("switched-off")
    return board, truth


def handling(rng: Rng) -> tuple[Board, Truth]:
    """The recorder's button and the hand that lies on its case: rumble and clicks in the first and last half second."""
    board = _board(rng)
    dbc = float(rng.uniform(-50.0, -25.0))

    def rumble(count: int, rate_hz: float) -> Floats:
        time_s = np.arange(count) / rate_hz
        noise = coloured(rng, count, rate_hz, 5.0, low_hz=15.0)
        noise *= gate(time_s, -1.0, 0.4, 0.15)
        return noise + 3.0 * click(count, rate_hz, 0.02, 0.001, rng)

    board.behind.append(behind_of(rumble, dbc))
    board.values["handling_dbc"] = round(dbc, 1)
    return board, Truth()


FAMILIES: dict[str, Family] = {
    "hands-hum-faint": hands_hum_faint,
    "hands-hum-heard": hands_hum_heard,
    "detents": detents,
    "scratchy": scratchy,
    "relay-clicks": relay_clicks,
    "plug-thumps": plug_thumps,
    "knock-before": knock_before,
    "knock-during": knock_during,
    "knock-after": knock_after,
    "off-short": off_short,
    "off-long": off_long,
    "fade-end": fade_end,
    "handling": handling,
}
