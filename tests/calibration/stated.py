"""Random tables and takes with known truth, and the errors of what is stated over the stated standard deviations."""

from __future__ import annotations

from collections import defaultdict
from types import SimpleNamespace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from listen.calibration.clock import clock_from
from listen.calibration.inverse import inverse_table
from listen.calibration.laws import HELD_CENTS, StepRows, fit_law
from listen.calibration.loopback import loopback_samples
from listen.calibration.loopback_read import read_loopback
from listen.calibration.plateaus import pitch_trace
from listen.calibration.recording_chain import contact
from listen.calibration.settled import settled
from listen.calibration.splitting import split_error
from tests.recorders import Interface
from tests.tones import frames_of

Errors = dict[str, list[float]]
RATE_HZ = 48_000


def _rows(volts: NDArray[np.float64], cents: NDArray[np.float64], rng: np.random.Generator, size: float) -> StepRows:
    """A table whose steps are off by what volts and circuit do not hold."""
    n = len(volts)
    off = size * HELD_CENTS * rng.standard_normal(n)
    return StepRows(volts=volts, cents=cents + off, sigma=np.full(n, HELD_CENTS), direction=("up",) * n)


def _bent(volts: NDArray[np.float64], cents_per_khz: float, cents_hz: float) -> NDArray[np.float64]:
    """Cents of a volt-per-octave core whose errors are in proportion to its own pitch, and to its inverse."""
    cents = plain = 1200.0 * (np.log2(55.0) + volts)
    for _ in range(60):
        f0_hz = 2.0 ** (cents / 1200.0)
        cents = plain + cents_per_khz * f0_hz / 1000.0 + cents_hz / f0_hz
    return np.asarray(cents)


def table_errors(seed: int, size: float) -> Errors:
    """One table of each law: errors over the stated standard deviations.

    ``size`` is the scatter of the steps over what is held for usual.
    """
    rng = np.random.default_rng([seed, 31])
    out: Errors = defaultdict(list)
    n = int(rng.integers(4, 14))
    volts, slope = np.linspace(0.0, 0.5 * n, n), float(rng.uniform(0.97, 1.03))
    rows = _rows(volts, 1200.0 * (np.log2(110.0) + slope * volts), rng, size)
    fitted = fit_law(rows, "volt-per-octave")
    out["octaves per volt"].append((fitted.law.octaves_per_volt - slope) / fitted.law.octaves_per_volt_sigma)
    for row in inverse_table(rows, fitted.curve)[:: max(1, n)]:
        out["voltage of a note"].append((row.cv_v - np.log2(row.f0_hz / 110.0) / slope) / row.sigma_v)
    per_volt, at_zero = float(rng.uniform(100.0, 300.0)), float(rng.uniform(20.0, 200.0))
    upward = np.linspace(0.5, 8.0, n)
    law = fit_law(_rows(upward, 1200.0 * np.log2(at_zero + per_volt * upward), rng, size), "hertz-per-volt").law
    out["hertz per volt"].append((law.hertz_per_volt - per_volt) / law.hertz_per_volt_sigma)
    if n >= 8:
        exponent = float(rng.uniform(0.6, 1.6))
        law = fit_law(_rows(upward, 1200.0 * (7.0 + exponent * np.log2(upward + 0.3)), rng, size), "free").law
        if law.exponent_sigma:
            out["exponent"].append((law.exponent - exponent) / law.exponent_sigma)
        bend = float(rng.uniform(-8.0, 8.0))
        leak = float(rng.choice([-1.0, 1.0])) * float(rng.uniform(1000.0, 3000.0))
        split = split_error(_rows(np.linspace(0.0, 7.0, n), _bent(np.linspace(0.0, 7.0, n), bend, leak), rng, size))
        for name, true in (("scale", 1200.0), ("proportional", bend), ("inverse", leak)):
            term = split.term(name)
            if term.value is not None:
                out[f"split, {name}"].append((term.value - true) / term.sigma)
    return out


def contact_errors(seed: int) -> Errors:
    """A cell touched to an input of one coupling or two, under the recorder's noise: the corner of all."""
    rng = np.random.default_rng([seed, 33])
    corners_hz = [float(np.exp(rng.uniform(np.log(0.5), np.log(20.0)))) for _ in range(1 + seed % 2)]
    if len(corners_hz) == 2:  # couplings of one make: nearer than that they are still told apart from one
        corners_hz[1] = corners_hz[0] * float(rng.uniform(0.3, 1.0))
    x = np.zeros(round(2.5 * RATE_HZ))
    x[round(rng.uniform(0.6, 0.9) * RATE_HZ) :] = rng.uniform(0.2, 0.7)
    for corner_hz in corners_hz:
        x = lfilter([1.0, -1.0], [1.0, -np.exp(-2.0 * np.pi * corner_hz / RATE_HZ)], x)
    x += 10.0 ** (rng.uniform(-80.0, -50.0) / 20.0) * rng.standard_normal(len(x))
    found = contact(x, RATE_HZ, "a cell")
    out: Errors = defaultdict(list)
    if found.corner_hz and len(found.corners_hz) == len(corners_hz):
        name = "corner of one coupling" if len(corners_hz) == 1 else "corners of two couplings"
        out[name].append((found.corner_hz - sum(corners_hz)) / found.corner_sigma_hz)
    return out


def loop_errors(seed: int) -> Errors:
    """A recorder's loop of one coupling and much noise: its response is flat between the corner and the band's end."""
    rng = np.random.default_rng([seed, 35])
    x = np.concatenate([np.zeros(12_345), loopback_samples(RATE_HZ)])
    interface = Interface(corner_hz=float(np.exp(rng.uniform(0.0, np.log(30.0)))), floor_dbfs=-45.0, gain=0.7)
    found = read_loopback(interface.record(x, RATE_HZ, seed=seed), RATE_HZ, "a loop")
    f0_hz, off_db, sigma_db = (np.array(row) for row in (found.response_hz, found.response_db, found.response_sigma_db))
    there = (f0_hz > 100.0) & (f0_hz < 5000.0) & (sigma_db > 0.0)
    return {"response of the loop": (off_db[there] / sigma_db[there]).tolist()}


def clock_errors(seed: int) -> Errors:
    """A reference whose pitch wanders from second to second, by a clock that is off."""
    rng = np.random.default_rng([seed, 34])
    reference_hz, off_ppm = float(rng.uniform(200.0, 2000.0)), float(rng.uniform(-80.0, 80.0))
    seconds, rows = int(rng.integers(8, 30)), 50
    wander_ppm = float(np.exp(rng.uniform(np.log(0.05), np.log(5.0)))) * rng.standard_normal(seconds * rows)
    f0_hz = reference_hz / (1.0 + 1e-6 * off_ppm) * (1.0 + 1e-6 * wander_ppm)
    frames = SimpleNamespace(f0_hz=f0_hz, oscillating=np.ones(len(f0_hz), dtype=bool), row_every_s=1.0 / rows)
    found = clock_from(frames, reference_hz, "a reference")  # type: ignore[arg-type]
    return {"clock": [(found.error_ppm - off_ppm) / found.sigma_ppm]}


def pitch_errors(seed: int) -> Errors:
    """One held note of an oscillator with pitch noise, through a recorder's noise."""
    rng = np.random.default_rng([seed, 32])
    f0_hz, count = float(np.exp(rng.uniform(np.log(100.0), np.log(2000.0)))), int(1.5 * RATE_HZ)
    keep = float(np.exp(-2.0 * np.pi * 30.0 / RATE_HZ))
    cents = lfilter([1.0 - keep], [1.0, -keep], rng.standard_normal(count))
    cents *= float(np.exp(rng.uniform(np.log(0.02), np.log(1.0)))) / np.std(cents)
    quiet = seed % 3 == 0
    if quiet:  # quartz: the recorder's noise alone
        cents[:] = 0.0
    noise = 10.0 ** (rng.uniform(-75.0, -50.0) / 20.0) * rng.standard_normal(count)
    phase = 2.0 * np.pi * np.cumsum(f0_hz * np.exp2(cents / 1200.0)) / RATE_HZ
    frames = frames_of(0.3 * np.sin(phase) + noise, workers=1)
    out: Errors = defaultdict(list)
    if quiet:
        rows = np.flatnonzero(frames.oscillating & (frames.time_s > 0.2) & (frames.time_s < 1.3))[::4]
        off = 1200.0 * np.log2(frames.f0_hz[rows] / f0_hz) / frames.f0_sigma_cents[rows]
        out["pitch of a row"] += off.tolist()
    found = settled(frames, pitch_trace(frames), 0.1, 1.45)
    assert found is not None
    out["settled pitch"].append(1200.0 * float(np.log2(found.f0_hz / f0_hz)) / found.f0_sigma_cents)
    return out


def shares(errors: list[Errors]) -> dict[str, tuple[float, int]]:
    """Share of the errors within one standard deviation, and their number."""
    together: Errors = defaultdict(list)
    for one in errors:
        for name, values in one.items():
            together[name] += values
    return {name: (float(np.mean(np.abs(values) < 1.0)), len(values)) for name, values in together.items()}
