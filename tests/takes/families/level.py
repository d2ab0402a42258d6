"""Random takes whose level is not held: drift, hunting, bounce, slow start, dropout; and pitch that wanders."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import controls, expect, truth
from listen.demo.take_specs import TakeSpec
from listen.units import cents_between, db_from_ratio, ratio_from_db
from tests.takes.families import pick

Floats = NDArray[np.float64]
Rng = np.random.Generator

MOVING = {
    "level-drift": "the level moves",
    "pitch-instability": "moves with the level",
    "amplitude-bounce": "the envelope moves",
    "oscillation-dropout": "deep movement",
}


def level_with_pitch(rng: Rng) -> TakeSpec:
    """A slope, a hump or a dip of the level along the tuning."""
    rec = pick.interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz)
    control = pick.any_control(rng, low, high, float(rng.uniform(4.0, 8.0)))
    span_db = pick.depth(rng, 1.0, 3.0, heavy=float(rng.uniform(5.0, 9.0)))
    kind = str(rng.choice(["slope", "hump", "dip"]))
    sign = float(rng.choice([-1.0, 1.0]))
    centre, width = low * (high / low) ** float(rng.uniform(0.3, 0.7)), float(rng.uniform(0.25, 0.6))

    def law(_time_s: Floats, f0_hz: Floats) -> Floats:
        place = np.log2(f0_hz / low) / np.log2(high / low)
        if kind == "slope":
            db = sign * span_db * place - (span_db if sign > 0 else 0.0)
        else:
            bell = np.exp(-0.5 * (np.log2(f0_hz / centre) / width) ** 2)
            db = span_db * (bell - 1.0) if kind == "hump" else -span_db * bell
        return np.asarray(ratio_from_db(db))

    def judge(m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        db = db_from_ratio(m.amplitude_fs)
        span = float(np.nanmax(db) - np.nanmin(db))
        if span < 0.85:
            return []
        if span < 1.2:
            return [expect.allowed("level-drift", f"span {span:.2f} dB")]
        away = np.abs(db - np.nanmedian(db)) > min(1.0, 0.35 * span)
        pieces = expect.intervals(m.time_s, away & m.oscillating)
        if not pieces:
            return [expect.allowed("level-drift", f"span {span:.2f} dB")]
        severity = "fault" if span >= 3.0 else "attention"
        return [expect.finding("level-drift", severity, pieces, evidence={"span_db": span})]

    return TakeSpec(
        family=f"level-{kind}",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        envelope=law,
        expect=judge,
        allowed={"amplitude-bounce": "level steps with the pitch"} if control.retunes_s() else {},
        values={"span_db": span_db, "kind": kind},
    )


def hunting(rng: Rng) -> TakeSpec:
    """The level swings: sine, triangle or relaxation, everywhere or in a part of the range."""
    rec = pick.interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=120.0)
    rate_hz = pick.log_uniform(rng, 1.5, 15.0)
    duration_s = float(rng.uniform(5.0, 8.0))
    if rng.random() < 0.4:
        control = controls.rest(pick.log_uniform(rng, low, high), duration_s)
    else:
        control = controls.turn([low, high], [duration_s * 0.4, duration_s * 0.2, duration_s * 0.4])
    depth = pick.depth(rng, 0.01, 0.05, heavy=float(rng.uniform(0.1, 0.4)))
    kind = str(rng.choice(["sine", "sine", "triangle", "relaxation"]))
    only_above = float(np.sqrt(low * high)) if len(control.strokes) > 1 and rng.random() < 0.4 else 0.0
    turn = rng.uniform(0.0, 2.0 * np.pi)

    def swing(time_s: Floats) -> Floats:
        angle = 2.0 * np.pi * rate_hz * time_s + turn
        if kind == "sine":
            return np.sin(angle)
        if kind == "triangle":
            return np.asarray(2.0 / np.pi * np.arcsin(np.sin(angle)))
        return np.tanh(2.0 * np.sin(angle) + np.cos(2.0 * angle) * 0.5) / 0.98

    def bite(f0_hz: Floats) -> Floats:
        return np.clip(np.log2(f0_hz / only_above) * 4.0, 0.0, 1.0) if only_above else np.ones_like(f0_hz)

    def law(time_s: Floats, f0_hz: Floats) -> Floats:
        return 1.0 + depth * bite(f0_hz) * swing(time_s)

    def judge(_m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        pieces = []
        worst = 0.0
        for start, end in spec.control.held_s():
            time_s = np.arange(start, end, 1e-3)
            level = law(time_s, spec.control.f0_hz(time_s))
            here = float((level.max() - level.min()) / (level.max() + level.min()))
            worst = max(worst, here)
            if here >= 0.01:
                pieces.append([round(start, 3), round(end, 3)])
        if worst < 0.0085:
            return []
        if worst < 0.0115 or not pieces:
            return [expect.allowed("amplitude-hunting", f"depth {100 * worst:.2f} %")]
        severity = "fault" if worst >= 0.05 else "attention"
        evidence = {"depth_percent": 100.0 * worst, "rate_hz": rate_hz}
        return [expect.finding("amplitude-hunting", severity, pieces, evidence=evidence)]

    return TakeSpec(
        family="hunting",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-20.0, -6.0)),
        envelope=law,
        wander_cents=None if rng.random() < 0.6 else (lambda t, f: 40.0 * (law(t, f) - 1.0)),
        expect=judge,
        allowed=MOVING if depth > 0.008 else {},
        values={"depth": depth, "rate_hz": rate_hz, "kind": kind, "only_above_hz": only_above},
    )


def second_order(time_s: Floats, damping: float, natural_rad_s: float) -> Floats:
    """Return a settling ring that starts at 1 (0 before time 0)."""
    t = np.maximum(time_s, 0.0)
    ringing = natural_rad_s * np.sqrt(1.0 - damping**2)
    slide = damping / np.sqrt(1.0 - damping**2)
    ring = np.exp(-damping * natural_rad_s * t) * (np.cos(ringing * t) + slide * np.sin(ringing * t))
    return np.where(time_s >= 0.0, ring, 0.0)


def bounce(rng: Rng) -> TakeSpec:
    """After every step of the pitch the level jumps and settles."""
    rec = pick.interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=100.0)
    hold_s = float(rng.uniform(1.3, 2.2))
    control = pick.steps(rng, low, high, float(rng.uniform(5.0, 8.0)), hold_s=hold_s)
    steps_s = control.retunes_s()
    damping = float(rng.uniform(0.08, 0.6))
    settle_s = float(rng.uniform(0.1, 0.6))
    natural = 3.0 / (damping * settle_s)
    deviation_db = pick.depth(rng, 1.0, 3.0, heavy=float(rng.uniform(4.5, 8.0)))
    signs = rng.choice([-1.0, 1.0], len(steps_s))
    sizes = deviation_db * rng.uniform(0.5, 1.0, len(steps_s))
    sizes[int(rng.integers(len(sizes)))] = deviation_db
    stated = "lamp" if rng.random() < 0.25 else None

    def decibels(time_s: Floats) -> Floats:
        total = np.zeros_like(time_s)
        for step_s, sign, size in zip(steps_s, signs, sizes, strict=True):
            total += sign * size * second_order(time_s - step_s, damping, natural)
        return total

    def judge(_m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        pieces, rows, worst_db, worst_s = [], [], 0.0, 0.0
        for index, step_s in enumerate(steps_s):
            end = steps_s[index + 1] if index + 1 < len(steps_s) else spec.control.end_s
            time_s = np.arange(step_s, end, 1e-3)
            db = np.abs(decibels(time_s) - decibels(time_s)[-1])
            settled = float(time_s[db > 0.5][-1] - step_s) if np.any(db > 0.5) else 0.0
            rows.append({"retune_s": step_s, "deviation_db": float(db.max()), "settle_to_half_db_s": settled})
            if settled > 0.0:
                pieces.append([round(step_s, 3), round(step_s + max(settled, 0.05), 3)])
            worst_db, worst_s = max(worst_db, float(db.max())), max(worst_s, settled)
        db_limits, s_limits = (1.0, 3.0), (3.0, 10.0) if stated == "lamp" else (0.5, 2.0)
        over = max(worst_db / db_limits[0], worst_s / s_limits[0])
        if stated == "lamp":
            # Stated limits of a lamp speak of seconds; the jump itself may or may not count.
            return [expect.allowed("amplitude-bounce", f"{worst_db:.2f} dB, {worst_s:.2f} s")]
        if over < 0.85:
            return []
        # A jump that is over within a few frames may pass unseen.
        if over < 1.2 or worst_s < 0.1 or not pieces:
            return [expect.allowed("amplitude-bounce", f"{worst_db:.2f} dB, {worst_s:.2f} s")]
        severity = "fault" if worst_db >= db_limits[1] or worst_s >= s_limits[1] else "attention"
        evidence = {"deviation_db": worst_db, "settle_s": worst_s}
        item = expect.finding("amplitude-bounce", severity, pieces, evidence=evidence)
        item["evidence"]["retunes"] = rows
        return [item]

    return TakeSpec(
        family="bounce",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-20.0, -10.0)),
        envelope=lambda time_s, _f0: ratio_from_db(decibels(time_s)),
        gain_control=stated,
        expect=judge,
        allowed={
            "level-drift": "bounce",
            "amplitude-hunting": "ringing after a retune",
            "pitch-instability": "after a retune",
            "oscillation-dropout": "deep bounce",
        }
        if deviation_db > 0.8
        else {},
        values={"deviation_db": deviation_db, "damping": damping, "natural_rad_s": natural},
    )


def growth(time_s: Floats, start_s: float, rise_s: float) -> Floats:
    """Return an envelope that grows exponentially from nothing and limits softly; 1 % to 90 % takes ``rise_s``."""
    # a(t)^2 = 1/(1 + exp(-2 s (t - t_half))); 1 % and 90 % lie 5.33 time constants apart.
    rate = (np.log(100.0) + np.log(0.9 / np.sqrt(1.0 - 0.81))) / rise_s
    half_s = start_s + rise_s * 0.35 + np.log(2000.0) / rate
    power = 1.0 / (1.0 + np.exp(np.clip(-2.0 * rate * (time_s - half_s), -700.0, 700.0)))
    return np.where(time_s < start_s, 0.0, np.sqrt(power))


def slow_start(rng: Rng) -> TakeSpec:
    """From the moment of power: the level grows, too slowly or well enough."""
    rec = pick.interface(rng)
    f0_hz = pick.log_uniform(rng, 90.0, 1200.0)
    rise_s = float(rng.choice([0.02, 0.1, 0.33, 0.68, 0.9, 1.4, 2.6]))
    switch_s = float(rng.uniform(0.0, 1.2))
    thump = float(rng.choice([0.0, 0.0, 0.1, 0.3]))
    settle_s = float(rng.uniform(0.015, 0.06))
    duration_s = switch_s + 2.6 * rise_s + float(rng.uniform(2.0, 3.0))
    control = controls.rest(f0_hz, duration_s)
    if rng.random() < 0.4:
        end = f0_hz * float(rng.choice([2.0, 4.0]))
        control = controls.turn([f0_hz, end], [duration_s, 1.5, 0.5])

    def added(time_s: Floats, _phase: Floats, _f0: Floats) -> Floats:
        return np.zeros_like(time_s)

    def law(time_s: Floats, _f0: Floats) -> Floats:
        return growth(time_s, switch_s, rise_s)

    def knock(samples: Floats, rate_hz: float) -> Floats:
        time_s = np.arange(len(samples)) / rate_hz - switch_s
        step = np.where(time_s >= 0.0, np.exp(-np.maximum(time_s, 0.0) / settle_s), 0.0)
        return np.asarray(np.clip(samples + thump * step, -1.0, 1.0 - 2.0**-15))

    def judge(_m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        time_s = np.arange(0.0, spec.control.end_s, 1e-3)
        level = law(time_s, time_s)
        start, end = float(time_s[level > 0.01][0]), float(time_s[level > 0.9][0])
        if end - start < 0.4:
            return []
        if end - start < 0.6:
            return [expect.allowed("slow-start", f"{end - start:.2f} s")]
        severity = "fault" if end - start >= 2.0 else "attention"
        evidence = {"rise_s": end - start, "t90_s": end}
        return [expect.finding("slow-start", severity, [[start, end]], evidence=evidence)]

    return TakeSpec(
        family="slow-start" if rise_s > 0.5 else "normal-start",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-20.0, -8.0)),
        envelope=law,
        added=added,
        damage=knock if thump else None,
        expect=judge,
        allowed={"level-drift": "the start", "oscillation-dropout": "silence before the start"} if rise_s > 0.5 else {},
        values={"rise_s": rise_s, "switch_s": switch_s, "thump": thump},
    )


def dropout(rng: Rng) -> TakeSpec:
    """It dies for a while, or for good, and comes back."""
    rec = pick.interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=90.0)
    duration_s = float(rng.uniform(5.0, 8.0))
    control = pick.hand(rng, low, high, duration_s)
    for_good = bool(rng.random() < 0.3)
    dead_s = float(rng.uniform(0.15, 1.2))
    die_s = float(rng.uniform(0.35, 0.6)) * duration_s
    fall_s, rise_s = pick.log_uniform(rng, 0.01, 0.08), pick.log_uniform(rng, 0.02, 0.15)

    def decibels(time_s: Floats) -> Floats:
        falling = -8.686 * np.maximum(time_s - die_s, 0.0) / fall_s
        if for_good:
            return falling
        rising = -8.686 * np.maximum(die_s + dead_s + 4.0 * rise_s - time_s, 0.0) / rise_s
        return np.maximum(falling, np.where(time_s > die_s, rising, -np.inf))

    def judge(_m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        time_s = np.arange(0.0, spec.control.end_s, 1e-3)
        down = time_s[decibels(time_s) < -20.0]
        if len(down) < 50:
            return [expect.allowed("oscillation-dropout", "short")]
        piece = [round(float(down[0]), 3), round(float(down[-1]), 3)]
        return [expect.finding("oscillation-dropout", "fault", [piece])]

    return TakeSpec(
        family="dropout",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        envelope=lambda time_s, _f0: ratio_from_db(np.maximum(decibels(time_s), -400.0)),
        expect=judge,
        allowed={**MOVING, "slow-start": "growth after the dropout", "amplitude-hunting": "recovery"},
        values={"for_good": for_good, "die_s": die_s, "dead_s": dead_s, "fall_s": fall_s, "rise_s": rise_s},
    )


def wander(rng: Rng) -> TakeSpec:
    """The pitch trembles while the control rests: noise, vibrato, or (healthy) a straight slow drift."""
    rec = pick.interface(rng)
    f0_hz = pick.log_uniform(rng, 80.0, 3000.0)
    duration_s = float(rng.uniform(4.0, 7.0))
    control = controls.rest(f0_hz, duration_s)
    if rng.random() < 0.5:
        control = controls.turn([f0_hz, 2.0 * f0_hz], [duration_s * 0.45, duration_s * 0.15, duration_s * 0.4])
    kind = str(rng.choice(["noise", "noise", "vibrato", "drift"]))
    rms = pick.depth(rng, 3.0, 15.0, heavy=float(rng.uniform(25.0, 60.0)))
    rate_hz = pick.log_uniform(rng, 1.5, 9.0)
    grid_s = np.arange(-2.0, duration_s + 2.0, 0.01)
    noise = rng.standard_normal(len(grid_s))
    spectrum = np.fft.rfft(noise) * (np.fft.rfftfreq(len(grid_s), 0.01) < rate_hz)
    noise = np.fft.irfft(spectrum, len(grid_s))
    noise *= rms / np.std(noise)

    def law(time_s: Floats, _f0: Floats) -> Floats:
        if kind == "drift":
            return 6.0 * time_s / duration_s
        if kind == "vibrato":
            return np.asarray(np.sqrt(2.0) * rms * np.sin(2.0 * np.pi * rate_hz * time_s))
        return np.interp(time_s, grid_s, noise)

    def judge(m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        if kind == "drift":
            return []
        cents = cents_between(m.f0_hz, spec.control.f0_hz(m.time_s))
        held = spec.control.held_s()
        worst = max((expect.rest_rms_cents(m.time_s, cents, [one]) for one in held), default=0.0)
        pieces = [
            [round(a, 3), round(b, 3)] for a, b in held if expect.rest_rms_cents(m.time_s, cents, [(a, b)]) >= 3.0
        ]
        if worst < 2.5:
            return []
        if worst < 3.6 or not pieces:
            return [expect.allowed("pitch-instability", f"{worst:.2f} cents rms")]
        severity = "fault" if worst >= 15.0 else "attention"
        return [expect.finding("pitch-instability", severity, pieces, evidence={"rms_cents": worst})]

    return TakeSpec(
        family=f"wander-{kind}",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        wander_cents=law,
        expect=judge,
        values={"rms_cents": rms, "kind": kind, "rate_hz": rate_hz},
    )


FAMILIES = [level_with_pitch, hunting, bounce, slow_start, dropout, wander]
