"""What a cause needs of a take to be heard at all, and boards drawn to meet the needs of several causes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from listen.demo.recorder import Recorder
from tests.takes.board import Board, Playing
from tests.takes.cycles import PHASE, Stage
from tests.takes.extras import coloured, from_db
from tests.takes.families.pick import log_uniform
from tests.takes.strokes import whole_take

Rng = np.random.Generator
Floats = np.ndarray[Any, np.dtype[np.float64]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """Bounds of pitch, rate and noise.

    Attributes
    ----------
    lowest_hz : float
        The low end of the turn is no lower.
    top_at_least_hz : float
        The high end is no lower.
    top_share : float
        The high end is at most so much of the rate.
    rates_hz : tuple of int
    noise_dbc : float
        White noise of the recorder against the tone, at most.
    first_rest_s : float
        Time that the start takes beside the usual rest.
    """

    lowest_hz: float = 60.0
    top_at_least_hz: float = 200.0
    top_share: float = 1 / 14
    rates_hz: tuple[int, ...] = (44100, 48000, 48000, 96000)
    noise_dbc: float = -60.0
    first_rest_s: float = 0.0

    def __and__(self, other: Needs) -> Needs:
        rates = tuple(r for r in self.rates_hz if r in other.rates_hz)
        return Needs(
            lowest_hz=max(self.lowest_hz, other.lowest_hz),
            top_at_least_hz=max(self.top_at_least_hz, other.top_at_least_hz),
            top_share=min(self.top_share, other.top_share),
            rates_hz=rates or other.rates_hz,
            noise_dbc=min(self.noise_dbc, other.noise_dbc),
            first_rest_s=max(self.first_rest_s, other.first_rest_s),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """How a cause is to be built in.

    Attributes
    ----------
    times : float
        Size over the limit of attention (a ratio; of decibel limits its decibels).
    company : bool
        Another cause is in the take too.
    """

    times: float
    company: bool = False


@dataclass(frozen=True, kw_only=True)
class Cause:
    """A kind's own way of going wrong.

    Attributes
    ----------
    kind : str
    needs : callable (rng, order) -> Needs
    build : callable (board, rng, order) -> None
    group : str
    """

    kind: str
    needs: Callable[[Rng, Order], Needs]
    build: Callable[[Board, Rng, Order], None]
    group: Literal["shape", "level", "event", "pitch", "added", "capture"]


def pitch_range(rng: Rng, needs: Needs, rate_hz: int) -> tuple[float, float]:
    """Draw the ends of the turn: 1.6 to 3.6 octaves."""
    octaves = float(rng.uniform(1.6, 3.6))
    ceiling = min(4800.0, needs.top_share * rate_hz)
    least_top = min(max(needs.top_at_least_hz, needs.lowest_hz * 2.0**1.5), ceiling)
    high_hz = log_uniform(rng, least_top, max(ceiling, least_top * 1.01))
    low_hz = max(high_hz / 2.0**octaves, needs.lowest_hz)
    if low_hz == needs.lowest_hz:
        low_hz *= float(rng.uniform(1.0, 1.15))
    return low_hz, high_hz


def draw_recorder(rng: Rng, rate_hz: int, level_dbfs: float, needs: Needs, **fixed: Any) -> Recorder:
    """Draw an interface: noise of -100 to -80 dBFS as far as the causes bear it, AC-coupled at 1 to 20 Hz."""
    most_dbfs = min(-80.0, level_dbfs + needs.noise_dbc)
    settings: dict[str, Any] = {
        "sample_rate_hz": rate_hz,
        "ac_coupling_hz": log_uniform(rng, 1.0, 6.0) if rng.random() < 0.88 else float(rng.uniform(6.0, 20.0)),
        "noise_dbfs": float(rng.uniform(min(-100.0, most_dbfs - 6.0), most_dbfs)),
        "hum_hz": float(rng.choice([50.0, 60.0])),
        "hum_dbfs": level_dbfs - float(rng.uniform(75.0, 100.0)),
        "dc_fs": float(rng.choice([0.0, 0.0, 0.0, rng.uniform(-0.01, 0.01)])),
        "subtype": "PCM_16" if level_dbfs > -14.0 and needs.noise_dbc > -70.0 and rng.random() < 0.3 else "PCM_24",
    }
    return Recorder(**(settings | fixed))


def background(rng: Rng) -> Stage:
    """Return the distortion of a good board: THD of 0.02 to 0.3 %, harmonics falling, phases of any kind."""
    total = log_uniform(rng, 2e-4, 3e-3)
    sizes = 10.0 ** (-float(rng.uniform(0.3, 0.9)) * np.arange(5)) * rng.uniform(0.3, 1.0, 5)
    sizes *= total / np.sqrt(np.sum(sizes**2))
    turns = rng.uniform(0.0, 2.0 * np.pi, 5)
    extra = np.sum(sizes[:, None] * np.cos(np.arange(2, 7)[:, None] * PHASE + turns[:, None]), axis=0)

    def bend(cycles: Floats, _f0: Floats, level: Floats) -> Floats:
        return cycles + level * extra

    return Stage(kind="", bend=bend, linear=True, values={"thd_percent": round(100.0 * total, 4)})


def room_tone(rng: Rng, level_dbc: float, slope: float) -> Callable[[Floats, float, float], Floats]:
    """Return a step that adds the quiet of a room, coloured, at a level against the tone."""

    def step(samples: Floats, rate_hz: float, tone_fs: float) -> Floats:
        noise = coloured(rng, len(samples), rate_hz, slope)
        return samples + noise * (tone_fs * from_db(level_dbc) / np.sqrt(2.0))

    return step


def tremor(rng: Rng, length_s: float, cents: float) -> Callable[[Floats, Floats], Floats]:
    """Return the trembling of a hand that lies on the knob: 5 to 9 Hz, r.m.s. in cents."""
    from tests.takes.envelopes import band_noise

    noise = cents * band_noise(rng, length_s + 0.1, 9.0, low_hz=5.0)

    def law(time_s: Floats, _f0: Floats) -> Floats:
        return np.asarray(noise[: len(time_s)])

    return law


def surround(rng: Rng, board: Board, *, most_tremor_cents: float, most_room_dbc: float) -> None:
    """Draw what stands around any board now and then: a hand on the knob, a room, the thump of the switch."""
    if rng.random() < 0.5:
        board.cents.append(tremor(rng, board.play.end_s, float(rng.uniform(0.1, most_tremor_cents))))
    if rng.random() < 0.4:
        dbc = float(rng.uniform(-90.0, most_room_dbc))
        board.behind.append(room_tone(rng, dbc, float(rng.choice([0.0, 3.0, 5.0]))))
        board.values["room_dbc"] = round(dbc, 1)
    if rng.random() < 0.4:
        size, settle_s = float(rng.uniform(0.03, 0.3)), float(rng.uniform(0.015, 0.08))
        board.added.append(lambda here: switch_thump(here, board.play.power_s, size, settle_s))
        board.values["thump"] = round(size, 3)


def draw_board(rng: Rng, needs: Needs) -> Board:
    """Draw a good board in a whole take, with room for what the causes will do to it."""
    rate_hz = int(rng.choice(needs.rates_hz))
    low_hz, high_hz = pitch_range(rng, needs, rate_hz)
    play = whole_take(rng, low_hz, high_hz, first_rest_s=needs.first_rest_s)
    level_dbfs = float(rng.uniform(-20.0, -3.5))
    board = Board(
        play=play,
        recorder=draw_recorder(rng, rate_hz, level_dbfs, needs),
        level_dbfs=level_dbfs,
        rise_s=log_uniform(rng, 0.03, 0.3),
        kick=log_uniform(rng, 5e-4, 8e-3),
    )
    board.stages.append(background(rng))
    surround(rng, board, most_tremor_cents=0.7, most_room_dbc=-72.0)
    return board


def switch_thump(here: Playing, at_s: float, size: float, settle_s: float) -> Floats:
    """Return the knock of the supply's switch."""
    from tests.takes.extras import thump

    return size * thump(here.time_s, at_s, settle_s)
