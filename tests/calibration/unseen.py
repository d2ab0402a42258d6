"""Takes that nothing was tuned on: ``python -m tests.calibration.unseen 0 100`` makes them by number and scores them.

A take is wholly right when every step has its pitch (0.3 cents, 3 for a cell, more by the take's own jitter), every
step its voltage, the law its kind, and its slope 0.1 % (where the top droops: of the scale or of the lower part), and a
cell's hysteresis 20 %.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from listen.api.calibrating import CalibrationResult, calibrate
from listen.bench import Bench, CvSettings
from listen.errors import ListenError
from tests.calibration.takes import Stepped, cell, hertz, octaves, write

KINDS = ("good", "scale", "droop", "cell", "hertz", "low")
CV = Bench(cv=CvSettings(volts_per_full_scale=10.0))


@dataclass(frozen=True, kw_only=True)
class Unseen:
    """A take and how its voltages are given."""

    kind: str
    take: Stepped
    given: str
    steps: str
    slope: float | None
    late_s: float


def unseen(seed: int) -> Unseen:
    """Return a take by its number."""
    rng = np.random.default_rng([seed, 7])
    kind = KINDS[seed % len(KINDS)]
    low, high, step = 0.0, float(rng.choice([4, 5, 6])), float(rng.choice([0.5, 1.0]))
    f0_hz, slope = float(rng.uniform(40, 110)), 1.0
    pitch = octaves(f0_hz)
    if kind == "scale":
        slope = float(1 + rng.choice([-1, 1]) * rng.uniform(0.004, 0.02))
        pitch = octaves(f0_hz, slope)
    if kind == "droop":
        high = 6.0
        pitch = octaves(f0_hz, 1.0, float(rng.uniform(3e-6, 9e-6)))
    if kind == "low":
        high, pitch = 4.0, octaves(float(rng.uniform(18, 30)))
    if kind == "hertz":
        low, high, step, slope = 1.0, 8.0, 1.0, float(rng.uniform(80, 250))
        pitch = hertz(slope, float(rng.uniform(-0.03, 0.03)))
    if kind == "cell":
        low, high = 1.0, 5.0
        pitch = cell(float(rng.uniform(150, 500)), float(rng.uniform(0.6, 0.85)), float(rng.uniform(0, 0.5)))
    way = "updown" if kind == "cell" else str(rng.choice(["up", "down", "updown"]))
    given = str(rng.choice(["channel", "file", "values", "steps"]))
    up = [low + i * step for i in range(round((high - low) / step) + 1)]
    volts = {"up": up, "down": up[::-1], "updown": up + up[-2::-1]}[way]
    if given != "steps":
        volts = [round(float(v + rng.normal(0, 0.01)), 3) for v in volts]
    hold_s = float(rng.uniform(1.2, 1.8) if kind == "cell" else rng.uniform(0.7, 1.4))
    spread = rng.uniform(0.7, 1.5, len(volts)) if rng.random() < 0.5 else np.ones(len(volts))
    take = Stepped(
        volts=tuple(volts),
        hold_s=tuple(float(hold_s * s) for s in spread),
        pitch=pitch,
        wave=str(rng.choice(["sine", "triangle", "sawtooth"])),
        glide_s=0.0 if kind == "cell" or given == "file" else float(rng.choice([0.0, 0.0, 0.15, 0.3])),
        tau_s=float(rng.uniform(0.02, 0.1)) if kind == "cell" else 0.0,
        memory=float(rng.uniform(0.01, 0.05)) if kind == "cell" else 0.0,
        level=float(rng.uniform(0.1, 0.5)),
        noise=float(10 ** rng.uniform(-5, -3.5)),
        jitter_cents=float(rng.choice([0.0, 0.3, 1.0])),
        seed=seed,
    )
    late_s = float(rng.choice([0.0, 0.0, 0.4, -0.3, 1.7]))
    text = f"{low:g}:{high:g}:{step:g}:{way}"
    return Unseen(kind=kind, take=take, given=given, steps=text, slope=None if kind == "cell" else slope, late_s=late_s)


def wrong(case: Unseen, folder: Path) -> list[str]:
    """Return what is wrong with the table of a take."""
    take = case.take
    wanted = write(take, folder / "take.wav", cv_volts_per_full_scale=10.0 if case.given == "channel" else None)
    edges = take.edges_s + 2.0 + case.late_s
    rows = "".join(f"{a:.4f},{b:.4f},{v}\n" for a, b, v in zip(edges, edges[1:], take.volts, strict=False))
    (folder / "steps.csv").write_text(f"start_s,end_s,cv_v\n{rows}")
    given: dict[str, Any] = {
        "channel": {"cv_channel": 2, "bench": CV},
        "values": {"cv_values": take.volts},
        "steps": {"cv_steps": case.steps},
        "file": {"cv_file": folder / "steps.csv"},
    }[case.given]
    try:
        result = calibrate(folder / "take.wav", **given)
    except ListenError as error:
        return [str(error)[:200]]
    if len(result.steps) != len(wanted):
        return [f"{len(result.steps)} steps of {len(wanted)}"]
    return [*_wrong_steps(case, result, wanted), *_wrong_law(case, result, wanted)]


def _wrong_steps(case: Unseen, result: CalibrationResult, wanted: np.ndarray) -> list[str]:
    most = 3.0 if case.kind == "cell" else 0.3 + 0.5 * case.take.jitter_cents
    out = []
    for i, (step, f0_hz, volts) in enumerate(zip(result.steps, wanted, case.take.volts, strict=True), start=1):
        off = np.inf if step.f0_hz is None else 1200 * np.log2(step.f0_hz / f0_hz)
        if abs(off) > most:
            out.append(f"step {i}: {off:+.2f} cents at {f0_hz:.0f} Hz")
        if abs(step.cv_v - volts) > 2e-3:
            out.append(f"step {i}: {step.cv_v:.4f} V for {volts:.4f}")
    return out


def _wrong_law(case: Unseen, result: CalibrationResult, wanted: np.ndarray) -> list[str]:
    law = result.calibration.law
    assert law is not None
    kind = {"hertz": "hertz-per-volt", "cell": "free"}.get(case.kind, "volt-per-octave")
    if law.kind != kind:
        return [f"{law.kind}, not {kind}: {law.chosen_because}"]
    volts = np.array(case.take.volts)
    if case.slope is not None:
        slopes = [case.slope]
        if case.kind == "droop":
            low = np.argsort(volts, kind="stable")[: int(0.6 * len(volts))]
            slopes.append(float(np.polyfit(volts[low], np.log2(wanted[low]), 1)[0]))
        got = law.hertz_per_volt if kind == "hertz-per-volt" else law.octaves_per_volt
        off = min((got / slope - 1.0 for slope in slopes), key=abs)
        return [f"slope off by {100 * off:+.3f} %"] if abs(off) > 1e-3 else []
    middle = len(volts) // 2
    fair = case.take.pitch(volts)
    gaps = 1200 * np.log2((wanted[middle + 1 :] / wanted[:middle][::-1]) / (fair[middle + 1 :] / fair[:middle][::-1]))
    gap = result.calibration.hysteresis
    if gap is None or abs(gap.median / np.median(gaps) - 1.0) > 0.2:
        return [f"hysteresis {gap and round(gap.median, 2)} cents for {np.median(gaps):.2f}"]
    return []


def say(text: str) -> None:
    """Write a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main(first: int, last: int) -> int:
    """Make, score and count."""
    right: Counter[str] = Counter()
    made: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, last):
            case = unseen(seed)
            found = wrong(case, Path(folder))
            made[case.kind] += 1
            right[case.kind] += not found
            if found:
                say(f"{seed} {case.kind} {case.given} {case.take.wave}: {'; '.join(found[:4])}")
    for kind in made:
        say(f"{kind:6} {right[kind]:4} of {made[kind]}")
    say(f"{sum(right.values())} of {sum(made.values())} wholly right")
    return 0 if sum(right.values()) >= 0.95 * sum(made.values()) else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), int(sys.argv[2])))
