"""Takes from closed forms with known truth: errors of the account's parts over their stated standard deviations.

``python -m tests.account.stated_parts --seeds 0:40 [--only hunting,mains]`` prints how many errors lie within one and
within two: 68 and 95 % of normal ones whose deviation is right.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import warnings
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

import listen
from listen.report import check_document

Floats = NDArray[np.float64]
Truth = Mapping[tuple[str, str], float]
"""By a part's id and its parameter's name."""
RATE_HZ = 48_000
PEAK = 0.3


def _noise(rng: np.random.Generator, count: int, low_dbfs: float, high_dbfs: float) -> Floats:
    return np.asarray(10.0 ** (rng.uniform(low_dbfs, high_dbfs) / 20.0) * rng.standard_normal(count))


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _turn(seconds: float, low_hz: float, high_hz: float) -> tuple[Floats, Floats]:
    """Time and phase of a tone that rests for a second, is turned up, and rests."""
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    f0_hz = low_hz * (high_hz / low_hz) ** np.clip((time_s - 1.0) / (seconds - 2.0), 0.0, 1.0)
    return time_s, 2.0 * np.pi * np.cumsum(f0_hz) / RATE_HZ


def hunting(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """A level that swings as a sine does (amplitude modulation: any handbook)."""
    f0_hz, rate_hz, depth = _between(rng, 200.0, 2000.0), _between(rng, 1.0, 12.0), _between(rng, 0.008, 0.08)
    time_s = np.arange(7 * RATE_HZ) / RATE_HZ
    level = PEAK * (1.0 + depth * np.sin(2.0 * np.pi * rate_hz * time_s + rng.uniform(0.0, 6.0)))
    x = level * np.sin(2.0 * np.pi * f0_hz * time_s) + _noise(rng, len(time_s), -78.0, -52.0)
    return x, {("hunting", "rate_hz"): rate_hz, ("hunting", "depth_percent"): 100.0 * depth}


def mains(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """Three multiples of the mains under a tone that is turned."""
    mains_hz = float(rng.choice([50.0, 60.0])) * (1.0 + float(rng.uniform(-0.002, 0.002)))
    time_s, phase = _turn(8.0, float(rng.uniform(150.0, 400.0)), float(rng.uniform(700.0, 2500.0)))
    level_dbc, sizes = float(rng.uniform(-55.0, -30.0)), rng.uniform(0.1, 1.0, 3)
    sizes *= PEAK * 10.0 ** (level_dbc / 20.0) / np.sqrt(np.sum(sizes**2))
    hum = sum(a * np.sin(2.0 * np.pi * k * mains_hz * time_s + k) for k, a in enumerate(sizes, start=1))
    x = PEAK * np.sin(phase) + hum + _noise(rng, len(time_s), -78.0, -52.0)
    return x, {("mains", "mains_hz"): mains_hz, ("mains", "level_dbc"): level_dbc}


def line(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """A line that stays where it is while the tone is turned."""
    time_s, phase = _turn(8.0, float(rng.uniform(150.0, 300.0)), float(rng.uniform(500.0, 900.0)))
    frequency_hz, level_dbc = float(rng.uniform(2500.0, 9000.0)), float(rng.uniform(-48.0, -28.0))
    x = PEAK * np.sin(phase) + PEAK * 10.0 ** (level_dbc / 20.0) * np.sin(2.0 * np.pi * frequency_hz * time_s + 1.0)
    truth = {("line-1", "frequency_hz"): frequency_hz, ("line-1", "level_dbc"): level_dbc}
    return x + _noise(rng, len(time_s), -78.0, -60.0), truth


def ring(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """A level that rings after each of two retunes: the step response of a second-order loop (any handbook)."""
    f0_hz, time_s = float(rng.uniform(300.0, 900.0)), np.arange(9 * RATE_HZ) / RATE_HZ
    pitch_hz = np.where(time_s < 3.0, f0_hz, np.where(time_s < 6.0, 1.5 * f0_hz, 1.1 * f0_hz))
    decay_s, size = _between(rng, 0.15, 0.6), float(rng.uniform(0.08, 0.4))
    rate_hz = float(rng.uniform(0.9 / decay_s, 8.0))
    level = np.ones_like(time_s)
    for at_s in (3.0, 6.0):
        since = time_s[time_s >= at_s] - at_s
        level[time_s >= at_s] *= 1.0 + size * np.exp(-since / decay_s) * np.cos(2.0 * np.pi * rate_hz * since)
    x = 0.25 * level * np.sin(2.0 * np.pi * np.cumsum(pitch_hz) / RATE_HZ) + _noise(rng, len(time_s), -78.0, -52.0)
    return x, {("settling-1", "ring_hz"): rate_hz, ("settling-1", "decay_s"): decay_s}


def start(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """Growth of a weakly bent oscillator, the logistic law of its amplitude's square (van der Pol, averaged)."""
    f0_hz, rise_s = float(rng.uniform(150.0, 1200.0)), float(rng.uniform(0.1, 2.0))
    time_s, growth, tiny = np.arange(int((3.5 + rise_s) * RATE_HZ)) / RATE_HZ, np.log(90.0) / rise_s, 1.0 / 400.0
    since = np.maximum(time_s - 1.0, 0.0)
    level = np.where(time_s < 1.0, 0.0, 1.0 / np.sqrt(1.0 + (tiny**-2 - 1.0) * np.exp(-2.0 * growth * since)))
    passed_s = [np.log((tiny**-2 - 1.0) / (share**-2 - 1.0)) / (2.0 * growth) for share in (0.01, 0.9)]
    x = PEAK * level * np.sin(2.0 * np.pi * f0_hz * time_s) + _noise(rng, len(time_s), -90.0, -70.0)
    return x, {("start", "rise_s"): passed_s[1] - passed_s[0]}


def half_orders(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """Alternate cycles that differ: lines at the half, three and five halves of a tone that is turned."""
    time_s, phase = _turn(8.0, float(rng.uniform(200.0, 400.0)), float(rng.uniform(600.0, 1800.0)))
    level_dbc, sizes = float(rng.uniform(-52.0, -25.0)), rng.uniform(0.1, 1.0, 3)
    sizes *= 10.0 ** (level_dbc / 20.0) / np.sqrt(np.sum(sizes**2))
    x = np.sin(phase) + sum(a * np.sin((k + 0.5) * phase + rng.uniform(0.0, 6.0)) for k, a in enumerate(sizes))
    return PEAK * x + _noise(rng, len(time_s), -78.0, -56.0), {("half-orders", "level_dbc"): level_dbc}


def burst(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """A few turns of a high frequency at one place of each cycle, of the tone's phase independent."""
    time_s, phase = _turn(8.0, float(rng.uniform(100.0, 250.0)), float(rng.uniform(300.0, 800.0)))
    frequency_hz, half_width = float(rng.uniform(8000.0, 16000.0)), float(rng.uniform(0.04, 0.12))
    cycle, level_dbc = float(rng.uniform(0.05, 0.95)), float(rng.uniform(-48.0, -28.0))
    # the crest of a sine lies a quarter of a cycle after its zero
    place = (phase / (2.0 * np.pi) - 0.25 - cycle + 0.5) % 1.0 - 0.5
    shape = np.where(np.abs(place) < half_width, np.cos(0.5 * np.pi * place / half_width) ** 2, 0.0)
    own_phase = np.cumsum(0.02 * rng.standard_normal(len(time_s)))
    high = shape * np.sin(2.0 * np.pi * frequency_hz * time_s + own_phase)
    high *= 10.0 ** (level_dbc / 20.0) * np.sqrt(0.5 / np.mean(high**2))
    truth = {("burst", "level_dbc"): level_dbc, ("burst", "cycle"): cycle, ("burst", "frequency_hz"): frequency_hz}
    return PEAK * (np.sin(phase) + high) + _noise(rng, len(time_s), -78.0, -60.0), truth


def law(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """A level that follows the pitch, through an input coupled at a corner that nobody states (first order)."""
    time_s, phase = _turn(10.0, float(rng.uniform(150.0, 400.0)), float(rng.uniform(900.0, 3000.0)))
    f0_hz = np.gradient(phase) * RATE_HZ / (2.0 * np.pi)
    high = np.log(f0_hz / f0_hz.min()) / np.log(f0_hz.max() / f0_hz.min())
    span_db, corner_hz = _between(rng, 0.3, 4.0), float(rng.uniform(0.0, 20.0))
    shape = (high, 1.0 - high, np.sin(np.pi * high) ** 2)[int(rng.integers(3))]
    level_db = span_db * shape - 10.0 * np.log10(1.0 + (corner_hz / f0_hz) ** 2)
    x = 0.2 * 10.0 ** (level_db / 20.0) * np.sin(phase)
    return x + _noise(rng, len(time_s), -70.0, -40.0), {("level", "span_db"): span_db}


def drift(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """A note whose level moves, evenly or as it settles; its span is that of means of half a second, ends left out."""
    time_s, f0_hz, span_db = (
        np.arange(12 * RATE_HZ) / RATE_HZ,
        float(rng.uniform(900.0, 2500.0)),
        _between(rng, 0.3, 3.0),
    )
    settles_s = float(rng.uniform(1.5, 3.0))
    course = time_s / 12.0 if rng.integers(2) else 1.0 - np.exp(-time_s / settles_s)
    level_db = span_db * course / course[-1] * float(rng.choice([-1.0, 1.0]))
    total, width = np.cumsum(np.concatenate([[0.0], level_db])), RATE_HZ // 2
    means = (total[width:] - total[:-width]) / width
    x = 0.2 * 10.0 ** (level_db / 20.0) * np.sin(2.0 * np.pi * f0_hz * time_s) + _noise(rng, len(time_s), -70.0, -40.0)
    return x, {("level", "time_span_db"): float(np.quantile(means, 0.996) - np.quantile(means, 0.004))}


def dropout(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """A tone that falls within milliseconds, straight in decibels, and comes back so; its ends are 20 dB down."""
    time_s, f0_hz = np.arange(8 * RATE_HZ) / RATE_HZ, float(rng.uniform(200.0, 1500.0))
    long_s, edge_s, depth_db = _between(rng, 0.06, 0.8), float(rng.uniform(0.002, 0.02)), float(rng.uniform(25.0, 58.0))
    begin_s = float(rng.uniform(2.0, 5.0))
    down = np.clip((time_s - begin_s) / edge_s, 0.0, 1.0) * np.clip((begin_s + long_s - time_s) / edge_s, 0.0, 1.0)
    x = PEAK * 10.0 ** (-depth_db * down / 20.0) * np.sin(2.0 * np.pi * f0_hz * time_s)
    late_s = 20.0 / depth_db * edge_s
    truth = {("dropout-1", "depth_db"): depth_db, ("dropout-1", "start_s"): begin_s + late_s}
    truth[("dropout-1", "end_s")] = begin_s + long_s - late_s
    return x + _noise(rng, len(time_s), -85.0, -72.0), truth


OWN_HARMONICS = (0.0022, 0.0022, 0.0007, 0.0007, 0.0003, 0.0003)
"""H2 .. H7 of an ordinary build, over its fundamental, each phase by itself (common practice, no source)."""


def _with_own_harmonics(rng: np.random.Generator, phase: Floats, wave: Floats) -> Floats:
    own = sum(
        size * (rng.standard_normal(2) @ np.array([np.cos(k * phase), np.sin(k * phase)]))
        for k, size in enumerate(OWN_HARMONICS, start=2)
    )
    return PEAK * (wave + own) + _noise(rng, len(phase), -85.0, -60.0)


def even_curve(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """A square law: H2 is half of its coefficient (cos^2), in a build with harmonics of its own."""
    _, phase = _turn(8.0, float(rng.uniform(150.0, 400.0)), float(rng.uniform(700.0, 2000.0)))
    share = float(rng.uniform(0.02, 0.06))
    wave = np.cos(phase) + float(rng.choice([-1.0, 1.0])) * share * np.cos(2.0 * phase)
    return _with_own_harmonics(rng, phase, wave), {("curve", "even_percent"): 100.0 * share}


def odd_curve(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """A cubic law: H3 alone (4 cos^3 = 3 cos + cos of three), in a build with harmonics of its own."""
    _, phase = _turn(8.0, float(rng.uniform(150.0, 400.0)), float(rng.uniform(700.0, 2000.0)))
    share = float(rng.uniform(0.02, 0.06))
    wave = np.cos(phase) + float(rng.choice([-1.0, 1.0])) * share * np.cos(3.0 * phase)
    return _with_own_harmonics(rng, phase, wave), {("curve", "odd_percent"): 100.0 * share}


def dead_band(rng: np.random.Generator) -> tuple[Floats, Truth]:
    """A stage that does nothing within a part of the peak of its input, in a build with harmonics of its own."""
    _, phase = _turn(8.0, float(rng.uniform(150.0, 400.0)), float(rng.uniform(700.0, 2000.0)))
    share, wave = float(rng.uniform(0.015, 0.06)), np.cos(phase)
    wave = np.sign(wave) * np.maximum(np.abs(wave) - share, 0.0)
    return _with_own_harmonics(rng, phase, wave), {("dead-band", "dead_band_percent"): 100.0 * share}


FAMILIES: Mapping[str, Callable[[np.random.Generator], tuple[Floats, Truth]]] = {
    "hunting": hunting, "mains": mains, "line": line, "ring": ring, "start": start,
    "half_orders": half_orders, "burst": burst, "law": law, "drift": drift, "dropout": dropout,
    "even_curve": even_curve, "odd_curve": odd_curve, "dead_band": dead_band,
}  # fmt: skip


def errors(families: Iterable[str], seeds: Iterable[int]) -> dict[str, list[float]]:
    """Errors over stated deviations, by part and parameter; NaN where the part or its deviation is missing."""
    out: dict[str, list[float]] = defaultdict(list)
    numbers = list(seeds)
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        path = Path(folder) / "take.wav"
        for family in families:
            for seed in numbers:
                x, truth = FAMILIES[family](np.random.default_rng([seed, list(FAMILIES).index(family), 77]))
                soundfile.write(path, x, RATE_HZ, subtype="PCM_24")
                parts: dict[str, Any] = {
                    part["id"]: part for part in check_document(listen.check(path, threads=1))["account"]["parts"]
                }
                for (name, key), true in truth.items():
                    part = parts.get(name, {"parameters": {}, "sigma": {}})
                    value = {**part, **part["parameters"]}.get(key, np.nan)
                    sigma = part["sigma"].get(key, np.nan)
                    out[f"{name}.{key}"].append((value - true) / sigma)
    return out


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0:40", metavar="FIRST:END")
    parser.add_argument("--only", default=",".join(FAMILIES), metavar="FAMILY,..")
    options = parser.parse_args()
    first, end = (int(word) for word in options.seeds.split(":"))
    for name, values in errors(options.only.split(","), range(first, end)).items():
        far = np.abs(values)
        known = far[np.isfinite(far)]
        within = ", ".join(f"{np.mean(known < n):.0%} within {n}" for n in (1, 2))
        sys.stdout.write(f"{name:24} {len(known)} of {len(far)}: {within}, worst {known.max():.1f}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
