"""Takes as a bench gives them: what recorders, rooms, other gear and brief or partial faults do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tests.takes.bench_hands import add_hum, behind_of
from tests.takes.board import Board, Claim, Playing, Reading, Rendered
from tests.takes.builds import healthy_board
from tests.takes.causes_added import standing
from tests.takes.causes_shape import CAUSES as SHAPES
from tests.takes.causes_shape import rails
from tests.takes.cycles import Stage
from tests.takes.envelopes import decay, gate
from tests.takes.extras import Burst, burst_wave, coloured, from_db
from tests.takes.families.pick import log_uniform
from tests.takes.families.shape import clip_limit
from tests.takes.needs import Needs, Order
from tests.takes.strokes import whole_take
from tests.takes.truths import Truth, reached

Floats = NDArray[np.float64]
Rng = np.random.Generator
Family = Callable[[Rng], tuple[Board, Truth]]

LISTENING = Needs(lowest_hz=80.0)
STRICTER = Needs(lowest_hz=90.0, noise_dbc=-66.0)


def _board(rng: Rng, build: str = "clean", needs: Needs = LISTENING) -> Board:
    return healthy_board(rng, build, needs=needs)


def gate_before(rng: Rng) -> tuple[Board, Truth]:
    """A noise gate, or an editor, writes exact zeros until just before the tone."""
    board = _board(rng)
    opens_s = board.play.power_s - float(rng.uniform(0.0, 0.05))

    def close(samples: Floats, rate_hz: float) -> Floats:
        out = samples.copy()
        out[: int(opens_s * rate_hz)] = 0.0
        return out

    board.damage.append(close)
    truth = Truth()
    truth.allow("capture-gap", "exact zeros, though before the tone")
    return board, truth


def gate_between(rng: Rng) -> tuple[Board, Truth]:
    """Switched off and on again; a noise gate writes exact zeros while nothing sounds."""
    board = _board(rng)
    first_s, last_s = max(board.play.rests_s[:2], key=lambda r: r[1] - r[0])
    off_s = first_s + 0.35 * (last_s - first_s)
    on_s = off_s + float(rng.uniform(0.5, 0.8)) * (last_s - off_s)
    fall_s = log_uniform(rng, 0.004, 0.02)
    back_s = log_uniform(rng, 0.01, 0.03)

    def law(time_s: Floats, _f0: Floats) -> Floats:
        up = 1.0 - np.exp(-np.maximum(time_s - on_s, 0.0) / back_s)
        return np.where(time_s < on_s, decay(time_s, off_s, fall_s), up)

    board.wholly.append(law)

    def close(samples: Floats, rate_hz: float) -> Floats:
        out = samples.copy()
        out[int((off_s + 8.0 * fall_s) * rate_hz) : int(on_s * rate_hz)] = 0.0
        return out

    board.damage.append(close)
    board.values["zeros_s"] = [round(off_s + 8.0 * fall_s, 3), round(on_s, 3)]
    truth = Truth()
    truth.expect("capture-gap", off_s + 8.0 * fall_s, on_s)
    truth.allow("oscillation-dropout", "it was off, or the gate closed: the file does not tell")
    return board, truth


def agc_in_silence(rng: Rng) -> tuple[Board, Truth]:
    """The recorder's gain control raises the silence slowly and drops when the tone comes."""
    board = _board(rng)
    raised_db = float(rng.uniform(6.0, 18.0))
    power_s, rise_s = board.play.power_s, board.rise_s

    def law(samples: Floats, rate_hz: float, _tone: float) -> Floats:
        time_s = np.arange(len(samples)) / rate_hz
        # The attack follows the growing tone: by the time it could be heard as loud the gain is back.
        back = gate(time_s, -10.0, power_s + 0.6 * rise_s, 0.5 * rise_s)
        return samples * 10.0 ** (raised_db * np.clip(time_s / power_s, 0.0, 1.0) * back / 20.0)

    # What the gain control raises is the room's noise, which the converter's own joins later.
    room_dbc = float(rng.uniform(-78.0, -66.0))
    board.behind.append(behind_of(lambda count, rate_hz: coloured(rng, count, rate_hz, 3.0), room_dbc))
    board.behind.append(law)
    board.values["agc_db"] = round(raised_db, 2)
    return board, Truth()


def agc_creeps(rng: Rng) -> tuple[Board, Truth]:
    """The recorder's gain control creeps up while it sings: a level that changes with time."""
    board = _board(rng)
    span_db = float(rng.uniform(2.0, 5.0))
    start_s, end_s = board.play.power_s + 1.0, board.play.end_s - 1.0

    def law(time_s: Floats, _f0: Floats) -> Floats:
        share = np.clip((time_s - start_s) / (end_s - start_s), 0.0, 1.0)
        return np.asarray(10.0 ** (-span_db * (1.0 - share) / 20.0))

    board.wholly.append(law)
    board.values["agc_db"] = round(span_db, 2)
    truth = Truth()
    truth.expect("level-drift", start_s, end_s, severity="fault" if span_db > 3.6 else None)
    return board, truth


def lamp_normal(rng: Rng) -> tuple[Board, Truth]:
    """A lamp's normal ring after quick moves, and after power."""
    return _board(rng, "lamp"), Truth()


def brief_hum(rng: Rng) -> tuple[Board, Truth]:
    """Hum for two seconds or so, while a cable is touched."""
    board = _board(rng)
    start_s = float(rng.uniform(board.play.power_s + 0.8, board.play.end_s - 3.5))
    seconds, dbc = float(rng.uniform(1.6, 2.4)), float(rng.uniform(-44.0, -35.0))
    add_hum(board, rng, dbc, lambda time_s: gate(time_s, start_s, start_s + seconds, 0.08))
    truth = Truth()
    truth.expect("mains-hum", start_s, start_s + seconds)
    return board, truth


def brief_burst(rng: Rng) -> tuple[Board, Truth]:
    """A parasitic oscillation for a second, as a hand or a cable comes near."""
    needs = Needs(lowest_hz=90.0, top_share=1 / 34, noise_dbc=-66.0)
    board = _board(rng, needs=needs)
    first_s, last_s = max(board.play.rests_s, key=lambda r: r[1] - r[0])
    seconds = min(float(rng.uniform(0.9, 1.2)), last_s - first_s)
    start_s = float(rng.uniform(first_s, last_s - seconds))
    dbc = float(rng.uniform(-43.0, -34.0))
    burst = Burst(
        hz=float(rng.uniform(max(0.16 * board.rate_hz, 13.0 * board.play.high_hz), 0.4 * board.rate_hz)),
        centre_turns=float(rng.choice([0.0, 0.5])),
        width_turns=float(rng.uniform(0.06, 0.16)),
        starts=str(rng.choice(["own", "again"])),
    )

    def sound(here: Playing) -> Floats:
        size = from_db(dbc) / np.sqrt(2.0) * standing(here.level)
        return np.asarray(
            size * gate(here.time_s, start_s, start_s + seconds, 0.03)
            * burst_wave(burst, here.phase, here.time_s, here.rng)
        )  # fmt: skip

    board.added.append(sound)
    board.values["burst"] = {"dbc": round(dbc, 2), "hz": round(burst.hz, 1), "place": burst.centre_turns}
    truth = Truth()
    truth.expect("parasitic-oscillation", start_s, start_s + seconds)
    return board, truth


def brief_dropout(rng: Rng) -> tuple[Board, Truth]:
    """It dies once, for 80 to 120 ms."""
    board = _board(rng)
    first_s, last_s = max(board.play.rests_s, key=lambda r: r[1] - r[0])
    start_s = float(rng.uniform(first_s + 0.2, last_s - 0.5))
    dead_s = float(rng.uniform(0.08, 0.12))
    board.rise_s, board.loop_noise = float(rng.uniform(0.02, 0.06)), 0.01
    fall_s = 0.004
    board.dead.append((start_s, start_s + 2.3 * fall_s + dead_s - 0.43 * board.rise_s, fall_s))
    truth = Truth()
    truth.expect("oscillation-dropout", start_s, start_s + dead_s + 0.02, severity="fault")
    board.values["dead_s"] = round(dead_s, 3)
    return board, truth


def partial_clip(rng: Rng) -> tuple[Board, Truth]:
    """One half flattened in the upper third of an octave alone."""
    board = _board(rng, needs=STRICTER)
    half = str(rng.choice(["positive", "negative"]))
    limit, onset_hz = clip_limit(float(rng.uniform(5.0, 9.0)), half), board.play.high_hz * 2.0**-0.33

    def bend(wave: Floats, f0: Floats, level: Floats) -> Floats:
        bite = np.clip(np.log2(f0 / onset_hz) / 0.2, 0.0, 1.0)
        return rails(half, 1.0, 0.001)(wave / (1.03 - bite * (1.03 - limit)), f0, level) * (
            1.03 - bite * (1.03 - limit)
        )

    board.stages.append(Stage(kind="asymmetric-clipping", bend=bend, half=half, keen=True))

    def read(take: Rendered) -> Reading:
        loss = take.measures().crest_loss_percent(half)
        times_s = take.time_s[take.frames][loss >= 2.0]
        return Reading(
            value=reached(loss), limit=2.0, fault=8.0, half=half, start_s=float(times_s[0]), end_s=float(times_s[-1])
        )

    board.claims.append(Claim(kind="asymmetric-clipping", read=read))
    return board, Truth()


def high_notes(rng: Rng) -> tuple[Board, Truth]:
    """A board in order that sings from 2 to 12 kHz."""
    rate_hz = int(rng.choice([44100, 48000, 96000]))
    play = whole_take(rng, float(rng.uniform(1800.0, 3500.0)), float(rng.uniform(7000.0, 12000.0)))
    board = healthy_board(rng, "clean", play=play, rate_hz=rate_hz)
    board.level_dbfs = max(board.level_dbfs, -14.0)
    return board, Truth()


def low_notes(rng: Rng) -> tuple[Board, Truth]:
    """A board in order that sings from 30 to 80 Hz, through an input coupled at 1 to 10 Hz."""
    play = whole_take(rng, float(rng.uniform(30.0, 40.0)), float(rng.uniform(60.0, 85.0)), mains_clear=False)
    board = healthy_board(rng, "clean", play=play, rate_hz=48000)
    board.recorder = replace(board.recorder, ac_coupling_hz=log_uniform(rng, 1.0, 10.0), hum_dbfs=-120.0)
    return board, Truth()


def _second(rng: Rng, dbc: float) -> Board:
    board = _board(rng)
    notes_hz = np.array([s.to_hz for s in board.play.control.strokes if s.shape == "rest"])
    other_hz = log_uniform(rng, 130.0, 2500.0)
    # Nearer than a semitone two notes beat, and a beat is another matter.
    while np.min(np.abs(np.log2(other_hz / notes_hz))) < 1 / 12:
        other_hz = log_uniform(rng, 130.0, 2500.0)
    moves = rng.random() < 0.5
    sizes = np.array([1.0, 0.3, 0.1]) * from_db(dbc) / np.sqrt(1.1)

    def sound(here: Playing) -> Floats:
        octaves = 0.25 * np.sin(2.0 * np.pi * here.time_s / 9.0) if moves else np.zeros_like(here.time_s)
        phase = 2.0 * np.pi * np.cumsum(other_hz * np.exp2(octaves)) / here.rate_hz
        return np.asarray(sum(s * np.cos((k + 1) * phase) for k, s in enumerate(sizes)))

    board.added.append(sound)
    board.values["second"] = {"hz": round(other_hz, 2), "dbc": round(dbc, 2), "moves": bool(moves)}
    return board


def second_faint(rng: Rng) -> tuple[Board, Truth]:
    """A second oscillator sings in the same rack, faintly."""
    return _second(rng, float(rng.uniform(-72.0, -56.0))), Truth()


def second_heard(rng: Rng) -> tuple[Board, Truth]:
    """A second oscillator comes through, over the limit of what is no harmonic."""
    board = _second(rng, float(rng.uniform(-42.0, -32.0)))
    truth = Truth()
    truth.expect("parasitic-oscillation", 0.0, board.play.end_s, also_accepted=("unexplained", "two-tones"))
    return board, truth


def whistle(rng: Rng) -> tuple[Board, Truth]:
    """A screen whistles at 15.6 kHz before, under and after."""
    board = _board(rng)
    hz, dbc = float(rng.choice([15625.0, 15734.3])), float(rng.uniform(-75.0, -53.0))

    def tone(count: int, rate_hz: float) -> Floats:
        return np.sqrt(2.0) * np.sin(2.0 * np.pi * hz / rate_hz * np.arange(count))

    board.behind.append(behind_of(tone, dbc))
    board.values["whistle_dbc"] = round(dbc, 2)
    return board, Truth()


def _noise(slope: float) -> Family:
    def family(rng: Rng) -> tuple[Board, Truth]:
        board = healthy_board(rng, "clean", needs=Needs(lowest_hz=120.0))
        dbc = float(rng.uniform(-60.0, -39.0))
        board.behind.append(behind_of(lambda count, rate_hz: coloured(rng, count, rate_hz, slope), dbc))
        board.values["noise"] = {"dbc": round(dbc, 2), "db_per_octave": -slope}
        return board, Truth()

    family.__doc__ = f"Stationary noise of {-slope:g} dB an octave, -60 to -39 dBc."
    return family


def offset(rng: Rng) -> tuple[Board, Truth]:
    """A DC offset of the converter: a note."""
    board = _board(rng)
    board.level_dbfs = min(board.level_dbfs, -8.0)
    board.recorder = replace(board.recorder, dc_fs=float(rng.uniform(0.02, 0.2)) * float(rng.choice([-1.0, 1.0])))
    return board, Truth()


def quiet_16_bit_flat(rng: Rng) -> tuple[Board, Truth]:
    """A quiet 16-bit take whose board flattens one half: no doing of the interface."""
    board = _board(rng, needs=STRICTER)
    board.level_dbfs = float(rng.uniform(-40.0, -30.0))
    board.recorder = replace(board.recorder, subtype="PCM_16", noise_dbfs=-98.0, dc_fs=0.0, hum_dbfs=-115.0)
    board.behind.clear()
    SHAPES[0].build(board, rng, Order(times=float(rng.uniform(2.5, 5.0))))
    return board, Truth()


def _beat(rng: Rng, dbc: float) -> tuple[Board, Truth]:
    """Rest a fraction of a hertz to five from a multiple of the mains."""
    mains_hz = float(rng.choice([50.0, 60.0]))
    multiple = int(rng.integers(2, 5))
    low_hz = multiple * mains_hz + float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.5, 5.0))
    play = whole_take(rng, low_hz, low_hz * float(rng.uniform(3.0, 7.0)), mains_clear=False)
    board = healthy_board(rng, "clean", play=play, rate_hz=48000)
    board.cents.clear()
    turns = rng.uniform(0.0, 6.28, 6)

    def sound(here: Playing) -> Floats:
        lines = [
            s * np.cos(2.0 * np.pi * (k + 1) * mains_hz * here.time_s + turns[k])
            for k, s in enumerate((0.5, 0.4, 0.4, 0.35, 0.3, 0.2))
        ]
        return np.asarray(from_db(dbc) / 0.9124 * np.sum(lines, axis=0))

    board.added.append(sound)
    board.values["hum"] = {
        "dbc": round(dbc, 2),
        "mains_hz": mains_hz,
        "beat_hz": round(low_hz - multiple * mains_hz, 3),
    }
    truth = Truth()
    if dbc > -48.0:
        truth.expect("mains-hum", 0.0, play.end_s)
    return board, truth


def beat_faint(rng: Rng) -> tuple[Board, Truth]:
    """A note that beats with faint hum."""
    return _beat(rng, float(rng.uniform(-72.0, -54.0)))


def beat_heard(rng: Rng) -> tuple[Board, Truth]:
    """A note that beats with hum over the limit: hum it is, and no hunting."""
    return _beat(rng, float(rng.uniform(-45.0, -38.0)))


FAMILIES: dict[str, Family] = {
    "gate-before": gate_before,
    "gate-between": gate_between,
    "agc-in-silence": agc_in_silence,
    "agc-creeps": agc_creeps,
    "lamp-normal": lamp_normal,
    "brief-hum": brief_hum,
    "brief-burst": brief_burst,
    "brief-dropout": brief_dropout,
    "partial-clip": partial_clip,
    "high-notes": high_notes,
    "low-notes": low_notes,
    "second-faint": second_faint,
    "second-heard": second_heard,
    "whistle": whistle,
    "noise-white": _noise(0.0),
    "noise-pink": _noise(3.0),
    "noise-brown": _noise(6.0),
    "offset": offset,
    "quiet-16-bit-flat": quiet_16_bit_flat,
    "beat-faint": beat_faint,
    "beat-heard": beat_heard,
}
