"""Boards in order: whole takes, power on while the recording hums, high sines, and minutes of playing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.takes.board import Board, Playing, render
from tests.takes.builds import BUILDS, falling_harmonics, harmonic_stage, healthy_board
from tests.takes.extras import draw_hum, from_db, hum_wave
from tests.takes.families.pick import log_uniform
from tests.takes.files import Made, TakeClass
from tests.takes.needs import Needs, draw_recorder
from tests.takes.strokes import Play, begin, clear_of_mains, whole_take
from tests.takes.truths import NEAR_DB, Truth, truth_of

Floats = NDArray[np.float64]
Rng = np.random.Generator


def finished(board: Board, rng: Rng, truth: Truth | None = None) -> Made:
    """Render a board whose truth is what its claims say, or the one that is given."""
    take = render(board, rng)
    found = truth_of(take)
    if truth is not None:
        found.expected += truth.expected
        found.allowed += truth.allowed
        found.notes += truth.notes
    return Made(samples=take.samples, rate_hz=board.rate_hz, subtype=board.recorder.subtype, truth=found)


def _alone(variant: str, _seed: int, rng: Rng) -> Made:
    return finished(healthy_board(rng, variant), rng)


# ---- power on while the recording hums


def mains_free_note(rng: Rng, mains_hz: float, low_hz: float = 40.0, high_hz: float = 400.0) -> float:
    """Draw a pitch at least 9 Hz from every multiple of the mains."""
    while True:
        f0_hz = log_uniform(rng, low_hz, high_hz)
        if abs(f0_hz - mains_hz * max(round(f0_hz / mains_hz), 1)) >= 9.0:
            return f0_hz


def _hum_play(rng: Rng, mains_hz: float, form: str) -> Play:
    power_s = float(rng.uniform(1.0, 2.6))
    f0_hz = mains_free_note(rng, mains_hz)
    score = begin(f0_hz)
    score.rest(power_s + float(rng.uniform(3.0, 4.5)))
    if form == "near":
        # A turn that stays between two multiples.
        below = mains_hz * np.floor(f0_hz / mains_hz)
        other = float(np.clip(f0_hz + rng.uniform(-8.0, 8.0), below + 9.0, below + mains_hz - 9.0))
        score.turn(max(other, 36.0), float(rng.uniform(1.5, 3.0)), "resistance")
        score.rest(float(rng.uniform(1.5, 3.0)))
    elif form == "through":
        other = mains_free_note(rng, mains_hz, f0_hz * 1.3, max(f0_hz * 3.0, 400.0))
        score.turn(other, float(rng.uniform(2.5, 5.0)), "resistance")
        score.rest(float(rng.uniform(1.5, 3.0)))
    return score.play(power_s)


def _powerup_hum(variant: str, _seed: int, rng: Rng) -> Made:
    mains_text, form = variant.split("/")
    mains_hz = float(mains_text)
    play = _hum_play(rng, mains_hz, form)
    rate_hz = int(rng.choice([44100, 48000, 96000]))
    level_dbfs, hum_dbfs = float(rng.uniform(-20.0, -6.0)), float(rng.uniform(-85.0, -40.0))
    board = Board(
        play=play,
        recorder=draw_recorder(
            rng, rate_hz, level_dbfs, Needs(), ac_coupling_hz=log_uniform(rng, 1.0, 5.0), hum_dbfs=-140.0
        ),
        level_dbfs=level_dbfs,
        rise_s=log_uniform(rng, 0.03, 0.3),
        kick=log_uniform(rng, 5e-4, 8e-3),
    )
    board.stages.append(falling_harmonics(rng, log_uniform(rng, 0.02, 0.5)))
    hum = draw_hum(rng, mains_hz, breathing=bool(rng.random() < 0.4))
    dbc = hum_dbfs - level_dbfs

    def sound(here: Playing) -> Floats:
        return from_db(dbc) * hum_wave(hum, len(here.time_s), here.rate_hz)

    board.added.append(sound)
    board.values |= {
        "hum_dbc": round(dbc, 2), "hum_dbfs": round(hum_dbfs, 2), "mains_hz": mains_hz,
        "shares": [round(float(s), 3) for s in hum.shares], "breathing": round(hum.breath_depth, 3),
    }  # fmt: skip
    truth = Truth()
    if dbc >= -50.0 + NEAR_DB:
        truth.expect("mains-hum", 0.0, play.end_s, severity="fault" if dbc > -28.0 else None)
    elif dbc > -50.0 - NEAR_DB:
        truth.allow("mains-hum", f"{dbc:.1f} dBc, near")
    return finished(board, rng, truth)


# ---- sines whose harmonics hardly fit the file


def _high_sine(variant: str, _seed: int, rng: Rng) -> Made:
    form, rate_text = variant.split("/")
    rate_hz = int(rate_text)
    ceiling = min(15000.0, 0.34 * rate_hz)
    high_hz = log_uniform(rng, 2600.0, ceiling)
    low_hz = max(2000.0, high_hz / 2.0 ** float(rng.uniform(0.8, 2.8)))
    if form == "steady":
        score = begin(high_hz)
        score.rest(float(rng.uniform(6.0, 9.0)))
        play = score.play(float(rng.uniform(0.6, 1.4)))
    else:
        play = whole_take(rng, low_hz, high_hz)
    level_dbfs = float(rng.uniform(-18.0, -3.5))
    board = Board(
        play=play,
        recorder=draw_recorder(rng, rate_hz, level_dbfs, Needs(noise_dbc=-64.0)),
        level_dbfs=level_dbfs,
        rise_s=log_uniform(rng, 0.01, 0.2),
        kick=5e-3,
    )
    sizes = 10.0 ** (rng.uniform(-60.0, -53.0, 2) / 20.0)
    board.stages.append(harmonic_stage(sizes, rng.uniform(0.0, 2.0 * np.pi, 2)))
    board.values["h2_h3_dbc"] = [round(float(20.0 * np.log10(s)), 2) for s in sizes]
    return finished(board, rng)


# ---- a minute of playing


def long_play(rng: Rng, low_hz: float, high_hz: float, seconds: float) -> Play:
    """Return a minute as a hand spends it: turns, quick moves, stairs of notes, long rests."""
    power_s = float(rng.uniform(0.8, 2.0))
    score = begin(clear_of_mains(low_hz))
    score.rest(power_s + float(rng.uniform(2.0, 4.0)))
    while score.now_s < seconds - 8.0:
        kind = rng.random()
        there = clear_of_mains(log_uniform(rng, low_hz, high_hz))
        if kind < 0.45:
            score.turn(there, float(rng.uniform(1.5, 8.0)), "resistance" if rng.random() < 0.7 else "exponential")
            score.rest(float(rng.uniform(0.5, 3.0)))
        elif kind < 0.8:
            for _ in range(int(rng.integers(1, 4))):
                step = float(rng.choice([-5.0, -3.0, -2.0, 2.0, 3.0, 5.0]))
                note = float(np.clip(score.pitch_hz * 2.0 ** (step / 12.0), low_hz, high_hz))
                score.turn(clear_of_mains(note) if abs(note / score.pitch_hz - 1.0) > 0.01 else there,
                           float(rng.uniform(0.05, 0.2)), "smooth")  # fmt: skip
                score.rest(float(rng.uniform(0.8, 2.5)))
        elif kind < 0.9:
            score.turn(there, 0.003, "smooth")
            score.rest(float(rng.uniform(1.0, 2.5)))
        else:
            score.rest(float(rng.uniform(1.0, 5.0)))
    score.rest(max(seconds - score.now_s, 0.5))
    return score.play(power_s)


def _hours(variant: str, _seed: int, rng: Rng) -> Made:
    rate_hz = int(rng.choice([44100, 48000]))
    low_hz = log_uniform(rng, 45.0, 300.0)
    high_hz = min(low_hz * 2.0 ** float(rng.uniform(1.5, 4.0)), rate_hz / 14.0)
    play = long_play(rng, low_hz, high_hz, 60.0)
    return finished(healthy_board(rng, variant, play=play, rate_hz=rate_hz), rng)


ALONE_HEALTHY = TakeClass(name="alone-healthy", variants=lambda: list(BUILDS), make=_alone)
POWERUP_HUM = TakeClass(
    name="powerup-hum",
    variants=lambda: [f"{mains}/{form}" for mains in (50, 60) for form in ("steady", "near", "through")],
    make=_powerup_hum,
)
HIGH_SINE = TakeClass(
    name="high-sine",
    variants=lambda: [f"{form}/{rate}" for form in ("steady", "swept") for rate in (44100, 48000, 96000)],
    make=_high_sine,
)
HOURS = TakeClass(name="hours", variants=lambda: list(BUILDS), make=_hours)
