"""Causes in level and pitch: start, death, drift, hunting, bounce, wander."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.takes.board import Board, Claim, Reading, Rendered
from tests.takes.envelopes import band_noise, settling_ring, swing
from tests.takes.families.pick import log_uniform
from tests.takes.needs import Cause, Needs, Order
from tests.takes.strokes import LATTICE_HZ
from tests.takes.truths import limits_of

Floats = NDArray[np.float64]
Rng = np.random.Generator

LEAST_CYCLES = 50.0


def slow_start(board: Board, _rng: Rng, order: Order) -> None:
    """Build a loop whose gain stands barely over what it needs."""
    attention, fault = limits_of("slow-start", board.gain_control)
    board.rise_s = attention * order.times
    board.kick = max(board.kick, 4e-3)

    def read(take: Rendered) -> Reading:
        level = take.grown[take.time_s >= board.play.power_s]
        first = int(np.argmax(level > 0.01)) / LATTICE_HZ
        last = int(np.argmax(level > 0.9)) / LATTICE_HZ
        power_s = board.play.power_s
        return Reading(value=last - first, limit=attention, fault=fault, start_s=power_s + first, end_s=power_s + last)

    board.claims.append(Claim(kind="slow-start", read=read))


def dropout(board: Board, rng: Rng, order: Order) -> None:
    """Build a bad spot of the track: the loop loses its gain for a while, at a rest or within a turn."""
    board.rise_s = min(board.rise_s, 0.12) if not order.company else board.rise_s
    brief = order.times < 2.0
    fall_s = 0.006 if brief else log_uniform(rng, 0.008, 0.04)
    dead_s = float(rng.uniform(0.25, 0.9))
    if brief:
        # From the loop's noise back to a tenth takes 0.23 of the rise.
        board.rise_s, board.loop_noise = 0.04, 0.03
        dead_s = 0.05 * order.times - 0.23 * board.rise_s
    place = float(rng.uniform(0.3, 0.7))
    strokes = [s for s in board.play.control.strokes if s.end_s - s.start_s > 1.5 and s.start_s > board.play.power_s]
    chosen = strokes[int(rng.integers(len(strokes)))]
    begin_s = chosen.start_s + place * (chosen.end_s - chosen.start_s)
    board.dead.append((begin_s, begin_s + dead_s + 2.3 * fall_s, fall_s))
    board.values["dead_s"] = round(dead_s, 3)

    def read(take: Rendered) -> Reading:
        after = take.time_s > max(take.start_s, begin_s - 0.05)
        down = np.flatnonzero(after & (take.grown < 0.1))
        seconds = len(down) / LATTICE_HZ
        start_s = float(take.time_s[down[0]]) if len(down) else begin_s
        return Reading(
            value=seconds, limit=0.05, start_s=start_s, end_s=start_s + max(seconds, 0.01), fault=0.05,
            also_accepted=() if seconds > 0.06 else ("level-drift", "amplitude-bounce"),
        )  # fmt: skip

    board.claims.append(Claim(kind="oscillation-dropout", read=read))


def drift(board: Board, rng: Rng, order: Order) -> None:
    """Build gangs that do not track: the level is a law of the pitch."""
    attention, fault = limits_of("level-drift", board.gain_control)
    span_db = attention * order.times
    low, high = board.play.low_hz, board.play.high_hz
    octaves = float(np.log2(high / low))
    form = str(rng.choice(["up", "down", "hump", "dip"]))
    centre, width = float(rng.uniform(0.35, 0.65)), float(rng.uniform(0.12, 0.2))
    power = float(rng.uniform(0.7, 1.6))

    def law(_time_s: Floats, f0_hz: Floats) -> Floats:
        place = np.clip(np.log2(f0_hz / low) / octaves, -0.2, 1.2)
        if form in ("up", "down"):
            along = np.clip(place, 0.0, 1.0) ** power
            return np.asarray(-span_db * (along if form == "down" else 1.0 - along))
        bell = np.exp(-0.5 * ((place - centre) / width) ** 2)
        return np.asarray(span_db * (bell - 1.0) if form == "hump" else -span_db * bell)

    board.drive_db.append(law)
    board.values["drift"] = form

    def read(take: Rendered) -> Reading:
        f0_hz = take.frame_f0_hz
        db = sum(one(take.time_s[take.frames], f0_hz) for one in board.drive_db)
        span = float(np.max(db) - np.min(db))
        return Reading(value=span, limit=attention, fault=fault, start_s=take.start_s, end_s=take.end_s)

    board.claims.append(Claim(kind="level-drift", read=read))


def hunting(board: Board, rng: Rng, order: Order) -> None:
    """Build a gain control that swings: a sine, or a relaxation."""
    attention, fault = limits_of("amplitude-hunting", board.gain_control)
    depth = 0.01 * attention * order.times
    shape = "sine" if rng.random() < 0.6 else "relaxation"
    hz = log_uniform(rng, 1.6, 12.0 if shape == "sine" else 6.0)
    start_rad = float(rng.uniform(0.0, 2.0 * np.pi))
    low, high = board.play.low_hz, board.play.high_hz
    onset = low * (high / low) ** 0.5 if not order.company and rng.random() < 0.3 else 0.0
    cents = float(rng.uniform(0.0, 0.9)) if rng.random() < 0.4 else 0.0

    def bite(f0_hz: Floats) -> Floats:
        return np.clip(np.log2(f0_hz / onset) * 5.0, 0.0, 1.0) if onset else np.ones_like(f0_hz)

    def factor(time_s: Floats, f0_hz: Floats) -> Floats:
        return 1.0 + depth * bite(f0_hz) * swing(time_s, hz, shape, start_rad)

    board.factors.append(factor)
    if cents:
        board.cents.append(lambda time_s, _f0: cents * swing(time_s, hz, "sine", start_rad))
    board.values["hunting"] = {
        "hz": round(hz, 3),
        "shape": shape,
        "onset_hz": round(onset, 2),
        "cents": round(cents, 2),
    }

    def read(take: Rendered) -> Reading:
        alone, left, start_s, end_s = 0.0, 0.0, take.end_s, take.start_s
        for first_s, last_s in board.play.rests_s:
            if last_s - first_s < 1.0 / hz:
                continue
            here = (take.time_s >= first_s) & (take.time_s <= last_s)
            swing_here = factor(take.time_s[here], take.f0_hz[here])
            deep = float((swing_here.max() - swing_here.min()) / (swing_here.max() + swing_here.min()))
            alone = max(alone, 100.0 * deep)
            left = max(
                left, 100.0 * _depth_after_stages(take, first_s, float(swing_here.max()), float(swing_here.min()))
            )
            if 100.0 * deep >= attention:
                start_s, end_s = min(start_s, first_s), max(end_s, last_s)
        return Reading(value=alone, combined=left, limit=attention, fault=fault, start_s=start_s, end_s=end_s)

    board.claims.append(Claim(kind="amplitude-hunting", read=read))


def _depth_after_stages(take: Rendered, at_s: float, high: float, low: float) -> float:
    """Depth that is left in the fundamental where rails hold a part of the swing down."""
    from tests.takes import cycles

    n = int(at_s * LATTICE_HZ)
    f0_hz = take.f0_hz[n : n + 1].repeat(2)
    db = sum(float(one(take.time_s[n : n + 1], f0_hz[:1])[0]) for one in take.board.drive_db)
    level = 10.0 ** (db / 20.0) * np.array([high, low])
    amplitude = cycles.measure(cycles.run(take.board.stages, f0_hz, level), f0_hz, take.board.rate_hz).amplitude
    return float((amplitude[0] - amplitude[1]) / (amplitude[0] + amplitude[1]))


def bounce(board: Board, rng: Rng, order: Order) -> None:
    """Build a level loop with little damping: it rings after each quick move."""
    attention, fault = limits_of("amplitude-bounce", board.gain_control)
    deviation_db = attention * order.times
    time_s = board.play.lattice_s()
    octaves = np.log2(board.play.control.f0_hz(time_s))
    first = int((board.play.moves[0].start_s - 0.01) * LATTICE_HZ)
    last = int((board.play.moves[-1].end_s + 1.4) * LATTICE_HZ)
    quick = (np.arange(len(time_s)) >= first) & (np.arange(len(time_s)) < last)
    sign = float(rng.choice([-1.0, 1.0]))
    for _ in range(20):
        damping = float(rng.uniform(0.06, 0.35))
        time_constant_s = float(rng.uniform(0.08, 0.3)) if order.times > 1.0 else 0.1
        natural = 1.0 / (damping * time_constant_s)
        ring = settling_ring(octaves, damping, natural)
        decibels = sign * deviation_db * ring / np.max(np.abs(ring[quick]))
        # A loop that also lags behind the slow turns would add a drift of its own.
        if np.max(np.abs(decibels[~quick])) < 0.25:
            break

    def factor(time_s: Floats, _f0: Floats) -> Floats:
        return np.asarray(10.0 ** (decibels[: len(time_s)] / 20.0))

    board.factors.append(factor)
    hertz = natural * np.sqrt(1.0 - damping**2) / (2.0 * np.pi)
    board.values["bounce"] = {"damping": round(damping, 3), "hz": round(float(hertz), 3)}

    def read(take: Rendered) -> Reading:
        deep, slow, left = 0.0, 0.0, 0.0
        ends = [m.start_s for m in board.play.moves[1:]] + [board.play.moves[-1].end_s + 1.3]
        for move, end_s in zip(board.play.moves, ends, strict=True):
            here = slice(int(move.start_s * LATTICE_HZ), int(end_s * LATTICE_HZ))
            db = decibels[here]
            deep = max(deep, float(np.max(np.abs(db))))
            over = np.flatnonzero(np.abs(db) > 0.5)
            slow = max(slow, (over[-1] / LATTICE_HZ - (move.end_s - move.start_s)) if len(over) else 0.0)
            worst = int(np.argmax(np.abs(db))) + here.start
            left = max(left, _bounce_after_stages(take, worst, float(decibels[worst])))
        value = max(deep / attention, slow / 0.5) * attention
        board.values["bounce_db"], board.values["bounce_settling_s"] = round(deep, 3), round(slow, 3)
        combined = max(left / attention, slow / 0.5) * attention
        return Reading(
            value=value, combined=combined, limit=attention, fault=fault if slow < 1.5 else None,
            start_s=board.play.moves[0].start_s, end_s=ends[-1],
        )  # fmt: skip

    board.claims.append(Claim(kind="amplitude-bounce", read=read))


def _bounce_after_stages(take: Rendered, n: int, db: float) -> float:
    """Deviation in dB that is left in the fundamental where rails hold it down."""
    from tests.takes import cycles

    f0_hz = take.f0_hz[n : n + 1].repeat(2)
    level = take.level[n] * np.array([1.0, 10.0 ** (-db / 20.0)])
    amplitude = cycles.measure(cycles.run(take.board.stages, f0_hz, level), f0_hz, take.board.rate_hz).amplitude
    return float(abs(20.0 * np.log10(amplitude[0] / amplitude[1])))


def wander(board: Board, rng: Rng, order: Order) -> None:
    """Build a pitch that wavers or wanders, all the time."""
    attention, fault = limits_of("pitch-instability", board.gain_control)
    rms = attention * order.times
    if rng.random() < 0.5:
        hz, turn = log_uniform(rng, 1.5, 9.0), float(rng.uniform(0.0, 6.28))
        board.cents.append(lambda time_s, _f0: np.sqrt(2.0) * rms * np.sin(2.0 * np.pi * hz * time_s + turn))
        form = "wavering"
    else:
        hz = log_uniform(rng, 2.0, 8.0)
        noise = rms * band_noise(rng, board.play.end_s + 0.1, hz, low_hz=0.6)
        board.cents.append(lambda time_s, _f0: noise[: len(time_s)])
        form = "wandering"
    board.values["wander"] = {"form": form, "hz": round(hz, 3)}

    def read(take: Rendered) -> Reading:
        steady_hz = board.play.control.f0_hz(take.time_s)
        cents = 1200.0 * np.log2(take.f0_hz / steady_hz)
        worst = 0.0
        for first_s, last_s in board.play.rests_s:
            here = (take.time_s >= first_s) & (take.time_s <= last_s)
            t, c = take.time_s[here], cents[here]
            worst = max(worst, float(np.std(c - np.polyval(np.polyfit(t, c, 1), t))))
        return Reading(value=worst, limit=attention, fault=fault, start_s=take.start_s, end_s=take.end_s)

    board.claims.append(Claim(kind="pitch-instability", read=read))


def _start_needs(_rng: Rng, order: Order) -> Needs:
    return Needs(
        lowest_hz=max(80.0, 1.3 * LEAST_CYCLES / max(0.5 * order.times, 0.5)), first_rest_s=1.7 * 0.5 * order.times
    )


def _plain_needs(_rng: Rng, _order: Order) -> Needs:
    return Needs(lowest_hz=90.0)


CAUSES = (
    Cause(kind="slow-start", needs=_start_needs, build=slow_start, group="event"),
    Cause(kind="oscillation-dropout", needs=_plain_needs, build=dropout, group="event"),
    Cause(kind="level-drift", needs=_plain_needs, build=drift, group="level"),
    Cause(kind="amplitude-hunting", needs=_plain_needs, build=hunting, group="level"),
    Cause(kind="amplitude-bounce", needs=_plain_needs, build=bounce, group="level"),
    Cause(kind="pitch-instability", needs=_plain_needs, build=wander, group="pitch"),
)
