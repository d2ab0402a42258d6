"""Random takes with something added or broken: parasites, subharmonics, hum, and the recorder's own damage."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import controls, expect, truth, waves
from listen.demo.take_specs import TakeSpec
from listen.units import cents_between, db_from_power_ratio, db_from_ratio, ratio_from_db
from tests.takes.families import level as families_level
from tests.takes.families import pick
from tests.takes.families import shape as families_shape

Floats = NDArray[np.float64]
Rng = np.random.Generator

HARD_TO_NAME = {
    "even-order-distortion": "the burst may look like it",
    "odd-order-distortion": "the burst may look like it",
    "crossover-distortion": "the burst may look like it",
    "subharmonic": "the burst may look like it",
    "amplitude-hunting": "the burst may look like it",
}


def _whole(kind: str, dbc: float, control: controls.Control, evidence: dict[str, Any]) -> list[dict[str, Any]]:
    """Judge a level that holds for the whole take against -50 and -30 dBc."""
    if dbc < -53.0:
        return []
    if dbc < -47.0:
        return [expect.allowed(kind, f"{dbc:.1f} dBc")]
    severity = "fault" if dbc >= -30.0 else "attention"
    return [expect.finding(kind, severity, [[0.02, round(control.end_s - 0.02, 3)]], evidence=evidence)]


def parasite(rng: Rng) -> TakeSpec:
    """A burst at one place of the cycle, or a steady line that is no harmonic."""
    rec = pick.interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=80.0, top_share=1 / 30)
    control = pick.any_control(rng, low, high, float(rng.uniform(4.0, 7.0)))
    burst_hz = float(rng.uniform(0.17, 0.42)) * rec.sample_rate_hz
    level_dbc = float(rng.choice([-60.0, -44.0, -38.0, -32.0, -25.0, -19.0]))
    place, width = float(rng.choice([0.0, 0.0, 0.5, 0.5, 0.25, 0.8])), float(rng.uniform(0.05, 0.2))
    kind = str(rng.choice(["free", "restarted", "steady"]))
    law, text = pick.where(rng, low, high)
    starts = rng.uniform(0.0, 2.0 * np.pi, 100_000)
    window_power = 1.0 if kind == "steady" else width * 0.75
    amplitude = ratio_from_db(level_dbc) / np.sqrt(window_power)

    def added(time_s: Floats, phase: Floats, f0_hz: Floats) -> Floats:
        bite = np.sqrt(law(f0_hz)) * amplitude
        if kind == "steady":
            return np.asarray(bite * np.sin(2.0 * np.pi * burst_hz * time_s))
        turns = phase / (2.0 * np.pi) - place
        away = turns - np.rint(turns)
        window = np.where(np.abs(away) < width, np.cos(0.5 * np.pi * away / width) ** 2, 0.0)
        start = starts[np.rint(turns).astype(int) % len(starts)] if kind == "restarted" else 0.0
        return np.asarray(bite * window * np.sin(2.0 * np.pi * burst_hz * time_s + start))

    def judge(m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        if level_dbc < -53.0:
            return []
        dbc = level_dbc + db_from_power_ratio(np.maximum(law(m.f0_hz), 1e-9))
        pieces = expect.intervals(m.time_s, (dbc > -50.0) & m.oscillating)
        if sum(end - start for start, end in pieces) < expect.SHORT_S:
            return [expect.allowed("parasitic-oscillation", "hardly visited")]
        half = "positive" if place == 0.0 else "negative" if place == 0.5 else None
        evidence = {"burst_rms_dbc": level_dbc, "burst_hz": burst_hz, "burst_half": half or ""}
        severity = "fault" if level_dbc >= -30.0 else "attention"
        return [expect.finding("parasitic-oscillation", severity, pieces, evidence=evidence)]

    return TakeSpec(
        family=f"parasite-{kind}",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng) - 3.0,
        added=added,
        expect=judge,
        allowed=HARD_TO_NAME if level_dbc > -53.0 else {},
        values={"burst_hz": burst_hz, "level_dbc": level_dbc, "place": place, "width": width, "where": text},
    )


def alternate_cycles(rng: Rng) -> TakeSpec:
    """Every other cycle differs: in size, or by a tone at half the pitch."""
    rec = pick.interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=80.0)
    control = pick.any_control(rng, low, high, float(rng.uniform(4.0, 7.0)))
    dbc = float(rng.choice([-60.0, -45.0, -40.0, -34.0, -26.0, -20.0]))
    kind = str(rng.choice(["size", "tone"]))
    turn = float(rng.uniform(0.0, 2.0 * np.pi))

    def added(_time_s: Floats, phase: Floats, _f0: Floats) -> Floats:
        size = ratio_from_db(dbc)
        if kind == "tone":
            return np.asarray(size * np.cos(0.5 * phase + turn))
        return np.asarray(np.sqrt(2.0) * size * np.cos(0.5 * phase + turn) * np.cos(phase))

    return TakeSpec(
        family=f"subharmonic-{kind}",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng) - 2.0,
        added=added,
        expect=lambda _m, spec: _whole("subharmonic", dbc, spec.control, {"level_dbc": dbc}),
        allowed={
            "parasitic-oscillation": "a line that is not harmonic",
            "amplitude-hunting": "every other cycle",
            "even-order-distortion": "of half the pitch",
        }
        if dbc > -53.0
        else {},
        values={"level_dbc": dbc, "kind": kind},
    )


def hum_added(rng: Rng) -> TakeSpec:
    """Mains hum beside the tone, at times with a silent lead-in."""
    dbc = float(rng.choice([-62.0, -58.0, -44.0, -38.0, -32.0, -26.0, -18.0]))
    level = float(rng.uniform(-16.0, -5.0))
    rec = pick.interface(rng, hum_dbfs=level + dbc)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=70.0)
    control = pick.any_control(rng, low, high, float(rng.uniform(4.0, 7.0)))
    lead_s = float(rng.choice([0.0, 0.0, 1.0]))

    def judge(_m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        return _whole("mains-hum", dbc, spec.control, {"level_dbc": dbc, "mains_hz": rec.hum_hz})

    def law(time_s: Floats, _f0: Floats) -> Floats:
        return np.clip((time_s - lead_s) / 0.05, 0.0, 1.0) if lead_s else np.ones_like(time_s)

    return TakeSpec(
        family="hum-added" if dbc > -53 else "hum-faint",
        control=control,
        recorder=rec,
        level_dbfs=level,
        envelope=law,
        expect=judge,
        allowed={"parasitic-oscillation": "lines that are not harmonic"} if dbc > -40.0 else {},
        values={"level_dbc": dbc, "lead_s": lead_s},
    )


def hum_sidebands(rng: Rng) -> TakeSpec:
    """Supply ripple modulates the level or the pitch at twice the mains frequency, or at it."""
    mains = float(rng.choice([50.0, 60.0]))
    rec = pick.interface(rng, hum_hz=mains)
    line = mains * float(rng.choice([1.0, 2.0, 2.0]))
    f0_hz = pick.log_uniform(rng, 350.0, 2500.0)
    duration_s = float(rng.uniform(4.0, 6.0))
    control = controls.rest(f0_hz, duration_s)
    if rng.random() < 0.5:
        control = controls.turn([f0_hz, 2.0 * f0_hz], [duration_s * 0.4, duration_s * 0.2, duration_s * 0.4])
    dbc = float(rng.choice([-60.0, -43.0, -36.0, -27.0]))
    sideband = ratio_from_db(dbc) / np.sqrt(2.0)
    kind = str(rng.choice(["level", "pitch"]))

    def level(time_s: Floats, phase: Floats, _f0: Floats) -> Floats:
        return np.asarray(2.0 * sideband * np.sin(2.0 * np.pi * line * time_s) * np.cos(phase))

    def cents(time_s: Floats, f0: Floats) -> Floats:
        # Index of modulation 2 x sideband: the deviation in Hz is the index times the line.
        return cents_between(f0 + 2.0 * sideband * line * np.sin(2.0 * np.pi * line * time_s), f0)

    return TakeSpec(
        family=f"hum-in-{kind}",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng) - 2.0,
        added=level if kind == "level" else None,
        wander_cents=cents if kind == "pitch" else None,
        tabled_control=True,
        expect=lambda _m, spec: _whole("mains-hum", dbc, spec.control, {"sidebands_dbc": dbc, "mains_hz": mains}),
        allowed={
            "amplitude-hunting": "the level moves at the mains",
            "pitch-instability": "the pitch moves at the mains",
            "parasitic-oscillation": "sidebands are not harmonic",
        }
        if dbc > -53.0
        else {},
        values={"sidebands_dbc": dbc, "kind": kind, "line_hz": line},
    )


def overloaded(rng: Rng) -> TakeSpec:
    """The interface clips, at full scale or below it, one side or both."""
    ceiling = float(rng.choice([1.0, 1.0, 0.97, 0.8, 0.5]))
    both = bool(rng.random() < 0.7)
    clip = (-ceiling, ceiling) if both else ((-1.0, ceiling) if rng.random() < 0.5 else (-ceiling, 1.0))
    if ceiling == 1.0:
        clip = (-1.0, 1.0)
    rec = pick.interface(rng, clip_fs=clip)
    wave = str(rng.choice(["sine", "sine", "sine", "triangle"]))
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=60.0)
    control = pick.any_control(rng, low, high, float(rng.uniform(4.0, 7.0)))
    over = float(rng.uniform(1.08, 1.6))
    rising = bool(rng.random() < 0.4)

    def law(_time_s: Floats, f0_hz: Floats) -> Floats:
        place = np.log2(f0_hz / low) / np.log2(high / low)
        return np.clip(0.75 / over + (1.0 - 0.75 / over) * place, 0.0, 1.0) if rising else np.ones_like(f0_hz)

    def judge(m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        lost = m.amplitude_fs > ceiling * 1.01
        pieces = expect.intervals(m.time_s, lost & m.oscillating)
        if sum(end - start for start, end in pieces) < 0.1:
            return [expect.allowed("capture-overload", "hardly")]
        return [expect.finding("capture-overload", "attention", pieces, evidence={"ceiling_fs": ceiling})]

    def shape(phase: Floats, _f0: Floats, _rate: float) -> Floats:
        return waves.triangle(phase)

    return TakeSpec(
        family="overload" if ceiling == 1.0 else "overload-below-full-scale",
        control=control,
        recorder=rec,
        level_dbfs=db_from_ratio(over * ceiling),
        wave=wave,
        shape=shape if wave == "triangle" else None,
        envelope=law,
        expect=judge,
        allowed={"level-drift": "the level rises", "capture-gap": "flat stretches"} if rising else {},
        values={"over": over, "ceiling_fs": ceiling, "both": both, "rising": rising},
    )


def gaps(rng: Rng) -> TakeSpec:
    """Samples lost: dropped, zeroed, repeated, or not a number."""
    kind = str(rng.choice(["dropped", "zeros", "repeated", "not-a-number"]))
    rec = pick.interface(rng, **({"subtype": "FLOAT"} if kind == "not-a-number" else {}))
    f0_hz = pick.log_uniform(rng, 90.0, 2500.0)
    duration_s = float(rng.uniform(4.0, 7.0))
    if kind == "dropped" or rng.random() < 0.5:
        control = controls.rest(f0_hz, duration_s)
    else:
        control = controls.turn([f0_hz, 3.0 * f0_hz], [duration_s * 0.3, duration_s * 0.4, duration_s * 0.3])
    count = int(rng.integers(1, 4))
    times_s = np.sort(rng.uniform(0.15, 0.85, count) * duration_s)
    period = rec.sample_rate_hz / f0_hz
    wanted = rng.uniform(20.0, 1500.0, count)
    # A whole number of cycles lost leaves no trace: a part of a cycle is always lost here.
    lengths = np.maximum(1, np.rint((np.floor(wanted / period) + rng.uniform(0.2, 0.8, count)) * period)).astype(int)

    def break_it(samples: Floats, rate_hz: float) -> Floats:
        out = samples.copy()
        for time_s, length in zip(times_s[::-1], lengths[::-1], strict=True):
            n = int(time_s * rate_hz)
            if kind == "dropped":
                tail = out[n + length :]
                out[n : n + len(tail)] = tail
            elif kind == "zeros":
                out[n : n + length] = 0.0
            elif kind == "repeated":
                length = max(length, 32)
                out[n : n + length] = out[n - length : n]
            else:
                out[n : n + min(length, 200)] = np.nan
        return out[: len(out) - int(lengths.sum())] if kind == "dropped" else out

    def judge(_m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        pieces = [[round(float(t) - 0.05, 3), round(float(t) + 0.05, 3)] for t in times_s]
        return [expect.finding("capture-gap", "attention", pieces, evidence={"lost_samples": int(lengths.sum())})]

    return TakeSpec(
        family=f"gap-{kind}",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        damage=break_it,
        expect=judge,
        values={"lengths": lengths.tolist(), "times_s": [float(t) for t in times_s]},
    )


def quiet(rng: Rng) -> TakeSpec:
    """Recorded far too low."""
    rec = pick.interface(rng, noise_dbfs=float(rng.uniform(-110.0, -100.0)), hum_dbfs=-125.0, subtype="PCM_24")
    low, high = pick.pitch_range(rng, rec.sample_rate_hz)
    return TakeSpec(
        family="quiet",
        control=pick.any_control(rng, low, high, float(rng.uniform(3.0, 5.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-66.0, -54.0)),
        expect=lambda _m, spec: [
            expect.finding("capture-quiet", "attention", [[0.02, round(spec.control.end_s - 0.02, 3)]])
        ],
        allowed={"mains-hum": "near the tone's level"},
    )


def no_tone(rng: Rng) -> TakeSpec:
    """Nothing oscillates: silence, noise, an offset, hum alone, a thump."""
    kind = str(rng.choice(["silence", "noise", "offset", "hum", "thump"]))
    fixed: dict[str, Any] = {}
    if kind == "noise":
        fixed = {"noise_dbfs": float(rng.uniform(-60.0, -30.0))}
    if kind == "offset":
        fixed = {"dc_fs": float(rng.uniform(-0.5, 0.5))}
    if kind == "hum":
        fixed = {"hum_dbfs": float(rng.uniform(-60.0, -35.0))}

    def thump(samples: Floats, rate_hz: float) -> Floats:
        time_s = np.arange(len(samples)) / rate_hz - 1.0
        return np.asarray(samples + 0.4 * np.where(time_s > 0.0, np.exp(-np.maximum(time_s, 0.0) / 0.04), 0.0))

    return TakeSpec(
        family=f"absent-{kind}",
        control=controls.rest(440.0, float(rng.uniform(2.0, 4.0))),
        recorder=pick.interface(rng, **fixed),
        level_dbfs=-20.0,
        envelope=lambda time_s, _f0: np.zeros_like(time_s),
        damage=thump if kind == "thump" else None,
        expect=lambda _m, spec: [expect.finding("oscillation-absent", "fault", [[0.0, round(spec.control.end_s, 3)]])],
        allowed={"capture-quiet": "silence", "mains-hum": "hum alone"},
        values={"kind": kind},
    )


def two_faults(rng: Rng) -> TakeSpec:
    """Some other fault, and hum beside it: both are to be found."""
    makers = [
        families_shape.one_half_clipped,
        families_shape.curved,
        families_shape.gap_at_zero,
        families_level.level_with_pitch,
        families_level.bounce,
    ]
    base = makers[int(rng.integers(len(makers)))](rng)
    dbc = float(rng.uniform(-43.0, -27.0))

    def judge(m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        evidence = {"level_dbc": dbc, "mains_hz": base.recorder.hum_hz}
        return base.expect(m, spec) + _whole("mains-hum", dbc, spec.control, evidence)

    return replace(
        base,
        family="two-" + base.family,
        recorder=replace(base.recorder, hum_dbfs=base.level_dbfs + dbc),
        expect=judge,
        values={**base.values, "hum_dbc": dbc},
    )


FAMILIES = [
    parasite,
    parasite,
    alternate_cycles,
    hum_added,
    hum_sidebands,
    overloaded,
    gaps,
    gaps,
    quiet,
    no_tone,
    two_faults,
]
