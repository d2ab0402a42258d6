"""Solved takes by number whose every circuit figure is known: what nobody states is drawn as widely as it lies in use.

Not stated, and so drawn: the mismatch of the gangs (2 %), the amplifier's bandwidth (0.6 to 10 MHz; stated to a tenth
in half of the takes), the error of a meter (uniform within its tolerance), the recorder's clock (30 parts in a
million), in a turn the diodes' kind and how far they are apart, and what loads the output. The input's coupling is 1 to
5 Hz, known in half.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy import signal

import listen
from listen.bench import Bench, BuildSettings, CaptureSettings, OpampSettings
from listen.circuit.types import Circuit
from tests.circuit.bridges import C_F, MOST_V, Bridge, diode_table, record, resistors, samples
from tests.circuit.checking import Figure, Rng, decimated, figure, log_uniform, told

RATE_HZ = 48000
GANGS_PERCENT = 2.0
DATA_SHEET = 0.1
"""A stated bandwidth is a data sheet's typical one."""
POLES_HZ = (0.6e6, 10e6)
CLOCK = 30e-6
"""The file's pitch and rates are that much higher where the recorder's clock is slow."""


def _drawn(rng: Rng, number: int) -> dict[str, Any]:
    """What belongs to the recording, and the amplifier's bandwidth."""
    pole_hz = log_uniform(rng, *POLES_HZ)
    told_hz = pole_hz * float(np.exp(DATA_SHEET * rng.standard_normal()))
    stated = {"opamp": OpampSettings(gain_bandwidth_hz=told_hz)} if rng.random() < 0.5 else {}
    return {
        "pole_hz": pole_hz,
        "stated": stated,
        "snr_db": float(rng.uniform(45.0, 85.0)),
        "coupling_hz": float(rng.uniform(1.0, 5.0)),
        "coupling_stated": bool(rng.integers(2)),
        "seed": number,
    }


def small_gain(bridge: Bridge) -> float:
    """The amplifier's gain for small signals: of diodes the table's slope at zero."""
    weaker = 1.0 - bridge.gain_falls_percent / 100
    if bridge.rails_v:
        return weaker * bridge.gain
    table = diode_table(bridge)
    middle = len(table) // 2
    return float(weaker * (table[middle + 1] - table[middle - 1]) / (4.0 * MOST_V / 3 / (len(table) - 1)))


def root_per_s(bridge: Bridge, apart: float) -> complex:
    """The loop's own root for small signals: both capacitors and the amplifier's pole."""
    r2 = 1.0 / (2 * np.pi * C_F * bridge.f0_hz[0])
    r1 = r2 * (1.0 + apart)
    # y' = 2 pi GBW (v - y / A): the pole is that of the gain for small signals
    pole = 2 * np.pi * bridge.pole_hz / small_gain(bridge)
    a, b = 1.0 / (r1 * C_F), 1.0 / (r2 * C_F)
    matrix = np.array([[-a, -a, a], [-a, -a - b, a], [0.0, pole * small_gain(bridge), -pole]])
    roots = np.linalg.eigvals(matrix)
    return complex(max(roots[roots.imag > 0], key=lambda s: s.real))


def _checked(bridge: Bridge) -> Circuit:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        bench = record(bridge, path)
        circuit = listen.check(path, bench=bench, threads=1).circuit
    assert circuit is not None
    return circuit


def start(number: int) -> Iterator[Figure]:
    """Power on: diodes or rails."""
    rng = np.random.default_rng([number, 1])
    f0 = log_uniform(rng, 80.0, 3000.0)
    hard = bool(rng.random() < 0.5)
    gain = 3.0 + log_uniform(rng, 0.06, 0.35 if hard else 0.14)
    apart = float(rng.normal(0.0, min(GANGS_PERCENT, 20.0 * (gain - 3.0))))
    seconds = max(0.8, 16.0 / (np.pi * f0 * (gain - 3.0 - apart / 100)) + 0.8)
    bridge = Bridge(
        f0_hz=(f0, f0), gain=gain, gangs_percent=(apart, apart), kick_v=1e-4, seconds=seconds,
        rails_v=(-10.0, 10.0) if hard else None, **_drawn(rng, number),
    )  # fmt: skip
    yield from _growing(bridge, apart, "start")


def _growing(bridge: Bridge, apart: float, kind: str) -> Iterator[Figure]:
    circuit = _checked(bridge)
    found = [g for g in circuit.growth if g.kind == kind]
    clock = 1.0 + CLOCK * float(np.random.default_rng([bridge.seed, 9]).standard_normal())
    rate = root_per_s(bridge, apart / 100).real / clock
    if found:
        yield Figure(name=f"rate of a {kind}", value=found[0].rate_per_s, truth=rate, sigma=found[0].sigma_per_s)
    truth = 100 * (small_gain(bridge) / (3.0 + apart / 100) - 1.0)
    stated = "bandwidth stated" if bridge.stated else "not stated"
    yield from figure(f"gain in hand, {kind}, {stated}", circuit.loop_gain_in_hand, truth)


def decay(number: int) -> Iterator[Figure]:
    """The gangs part and the tone dies."""
    rng = np.random.default_rng([number, 2])
    f0 = log_uniform(rng, 150.0, 2000.0)
    gain = 3.0 + log_uniform(rng, 0.05, 0.1)
    apart, falls = 100 * (gain - 3.0 + log_uniform(rng, 0.01, 0.06)), 0.0
    if rng.random() < 0.4:
        # the gangs hold together, and the gain falls by as much
        apart, falls = float(rng.normal(0.0, 1.0)), apart / 3.0
    bridge = Bridge(
        f0_hz=(f0, f0), gain=gain, gangs_percent=(0.0, apart), gangs_step_s=0.6, gain_falls_percent=falls,
        seconds=1.8, **_drawn(rng, number),
    )  # fmt: skip
    yield from _growing(bridge, apart, "decay")


def _curve(bridge: Bridge, circuit: Circuit, rng: Rng) -> Iterator[Figure]:
    """Gain in hand and gangs along the turn; of rows that share their errors one is taken."""
    r1, r2 = (r[-int(bridge.seconds * bridge.rate_hz) :] for r in resistors(bridge))
    apart = r1 / r2 - 1.0
    gain = small_gain(bridge)
    along = [p for p in circuit.loop_gain_along if p.source == "curve"]
    at = [apart[min(int(p.time_s * bridge.rate_hz), len(apart) - 1)] for p in along]
    middle = float(np.median(apart))
    yield from figure("gain in hand, curve", circuit.loop_gain_in_hand, 100 * (gain / (3.0 + middle) - 1.0))
    if along:
        i = int(rng.integers(len(along)))
        truth = 100 * (gain / (3.0 + at[i]) - 1.0)
        yield Figure(name="gain in hand, one row", value=along[i].percent, truth=truth, sigma=along[i].sigma)
    gangs = circuit.gang_mismatch
    if gangs.along and bridge.gangs_percent[0] != bridge.gangs_percent[1]:
        true = 100 * (np.array(at) - middle)
        yield from figure("gangs, spread", gangs.spread_percent, float(np.ptp(true)))
        i = int(rng.integers(len(gangs.along)))
        row = gangs.along[i]
        yield Figure(name="gangs, one row", value=row.percent, truth=float(true[i]), sigma=row.sigma)


def _any_length(number: int, seconds: float) -> float:
    """A recording is stopped anywhere between two rows."""
    return seconds + float(np.random.default_rng([number, 32]).uniform(0.0, 0.02))


def _diodes(number: int) -> dict[str, Any]:
    """Kinds of diodes in use, and an output of 100 ohm into 50 pF to 2 nF (common practice, no source)."""
    rng = np.random.default_rng([number, 31])
    return {
        "diode_a": log_uniform(rng, 5e-10, 1e-8),
        "diode_v": log_uniform(rng, 0.04, 0.052),
        "diode_ohm": log_uniform(rng, 0.3, 15.0),
        "diodes_unlike": 0.05 * float(rng.standard_normal()),
        "behind_s": log_uniform(rng, 5e-9, 0.2e-6),
    }


def diodes(number: int) -> Iterator[Figure]:
    """Diodes in a turn, gangs that part."""
    rng = np.random.default_rng([number, 3])
    low = log_uniform(rng, 80.0, 400.0)
    share = float(rng.uniform(0.08, 0.18))
    # the diodes can take back no more than their own share of the gain
    excess = float(rng.uniform(0.06, 1.2 * share))
    mean, half = rng.normal(0.0, GANGS_PERCENT), rng.normal(0.0, 1.0)
    gain = 3.0 + mean / 100 + excess
    bridge = Bridge(
        f0_hz=(low, 8 * low), gain=gain, gangs_percent=(float(mean - half), float(mean + half)),
        seconds=_any_length(number, 2.5), diode_share=share, **_diodes(number), **_drawn(rng, number),
    )  # fmt: skip
    yield from _curve(bridge, _checked(bridge), rng)


def rails(number: int) -> Iterator[Figure]:
    """Rails in a turn."""
    rng = np.random.default_rng([number, 4])
    low = log_uniform(rng, 80.0, 400.0)
    limits = (-float(rng.uniform(7.0, 12.0)), float(rng.uniform(7.0, 12.0)))
    mean, half = rng.normal(0.0, GANGS_PERCENT), rng.normal(0.0, 1.0)
    bridge = Bridge(
        f0_hz=(low, 6 * low), gain=float(rng.uniform(3.1, 3.5) + mean / 100), rails_v=limits,
        seconds=_any_length(number, 2.0), gangs_percent=(float(mean - half), float(mean + half)), **_drawn(rng, number),
    )  # fmt: skip
    circuit = _checked(bridge)
    yield from _curve(bridge, circuit, rng)
    yield from figure("clip level", circuit.clip_negative_v, limits[0])
    yield from figure("clip level", circuit.clip_positive_v, limits[1])


def parts(number: int) -> Iterator[Figure]:
    """Parts that are off, or measured, the control turned from end to end with rests there."""
    rng = np.random.default_rng([number, 5])
    measured = bool(number % 2)
    drawn = _drawn(rng, number)
    low = log_uniform(rng, 150.0, 400.0)
    tolerance = float(rng.uniform(0.3, 1.0))
    off_percent = 0.0 if measured else float(rng.normal(0.0, 5.0))
    if measured:
        drawn |= {"pole_hz": log_uniform(rng, 0.3e6, 1e6), "snr_db": 75.0}
        drawn["stated"] = {"tolerance_percent": (tolerance, tolerance), "measured": True}
    top = 40.0 if measured else 8.0
    # at both ends, at one, at none
    rests = [(True, True), (True, False), (False, True), (False, False)][0 if measured else int(rng.integers(4))]
    clock = 1.0 + CLOCK * float(rng.standard_normal())
    bridge = Bridge(
        f0_hz=(low, top * low), gain=3.12, seconds=3.5, rest_s=0.4, rests=rests, rate_hz=96000 if measured else RATE_HZ,
        meter_percent=tolerance if measured else 0.0, **drawn,
    )  # fmt: skip
    if not measured:
        c = C_F / (1.0 + off_percent / 100)
        r = tuple(sorted(1.0 / (2 * np.pi * C_F * f) for f in bridge.f0_hz))
        stated = bridge.stated | {"parts": {"r1_ohm": r, "r2_ohm": r, "c1_f": (c, c), "c2_f": (c, c)}}
        bridge = replace(bridge, stated=stated)
    circuit = _checked(bridge)
    found = circuit.expected_pitch
    assert found is not None
    if measured:
        yield from figure("gain-bandwidth", circuit.gain_bandwidth_hz, bridge.pole_hz)
        return
    yield from figure("product of R and C", found.rc_product_off_percent, off_percent)
    ends = _end_pitches(samples(bridge), bridge)
    nominal = found.low_hz.nominal, found.high_hz.nominal
    for quantity, f, n, rest in zip((found.low_cents, found.high_cents), ends, nominal, rests, strict=True):
        rested = "with a rest" if rest else "in the turn"
        yield from figure(f"end of the range, {rested}", quantity, 1200 * float(np.log2(f / clock / n)))


def _end_pitches(wave: np.ndarray, bridge: Bridge) -> tuple[float, float]:
    """Pitch of the first and of the last cycles, or at the rests there, from the zeros of the noise-free wave."""
    at = np.flatnonzero((wave[:-1] < 0) & (wave[1:] >= 0))
    time = (at - wave[at] / (wave[at + 1] - wave[at])) / bridge.rate_hz
    end_s, rest_s = len(wave) / bridge.rate_hz, bridge.rest_s
    # away from the ends, where the converter's filter meets silence
    first = time[(time > 0.2 * rest_s) & (time < 0.8 * rest_s)] if bridge.rests[0] else time[1:5]
    last = time[(time > end_s - 0.8 * rest_s) & (time < end_s - 0.2 * rest_s)] if bridge.rests[1] else time[-9:-1]
    return 1.0 / float(np.mean(np.diff(first))), 1.0 / float(np.mean(np.diff(last)))


def _noisy(wave_v: np.ndarray, rate_hz: int, rng: Rng, full_scale_v: float) -> tuple[np.ndarray, CaptureSettings]:
    corner_hz = float(rng.uniform(1.0, 5.0))
    x = signal.lfilter(*signal.butter(1, corner_hz, "high", fs=rate_hz), wave_v)
    rms = float(np.sqrt(np.mean(x**2)))
    x = x + rms * 10 ** (-float(rng.uniform(50.0, 85.0)) / 20) * rng.standard_normal(len(x))
    stated = corner_hz if rng.integers(2) else None
    return x / full_scale_v, CaptureSettings(volts_per_full_scale=full_scale_v, ac_coupling_hz=stated)


def _turned(low: float, high: float, seconds: float, rate_hz: float) -> np.ndarray:
    place = np.clip((np.linspace(0.0, 1.0, int(seconds * rate_hz)) - 0.2) / 0.6, 0.0, 1.0)
    return low * (high / low) ** place


def dead_band(number: int) -> Iterator[Figure]:
    """A sine of a stated level behind which a dead band lies, with a clipped half at times."""
    rng = np.random.default_rng([number, 6])
    over, low = 16, log_uniform(rng, 100.0, 400.0)
    f0 = _turned(low, 6 * low, 3.0, over * RATE_HZ)
    peak, d = float(rng.uniform(3.0, 9.0)), float(rng.uniform(0.03, 0.4))
    wave = peak * np.cos(2 * np.pi * np.cumsum(f0) / (over * RATE_HZ))
    rail = (peak - d) * float(rng.uniform(0.85, 0.97)) if rng.integers(2) else np.inf
    wave = np.minimum(np.sign(wave) * np.maximum(np.abs(wave) - d, 0.0), rail)
    x, capture = _noisy(decimated(wave, over), RATE_HZ, rng, 14.0)
    build = BuildSettings(topology="wien-bridge", gain_control="other")
    circuit = told(x, RATE_HZ, Bench(build=build, capture=capture))
    yield from figure("dead band", circuit.dead_band_v, d)
    if np.isfinite(rail):
        yield from figure("clip level behind the loop", circuit.clip_positive_v, rail)


def level_loop(number: int) -> Iterator[Figure]:
    """A detector loop: A' = (w0 / 2) e A, tau e' = k (1 - A) - e + what the gangs need; retunes, each with a rest."""
    rng = np.random.default_rng([number, 8])
    f_low = log_uniform(rng, 200.0, 500.0)
    natural, damping = log_uniform(rng, 2.0, 9.0), float(rng.uniform(0.08, 0.45))
    notes = f_low * np.array([1.0, 2.0, 1.0, 3.0])
    # wn^2 = w0 k / (2 tau), 2 zeta wn = 1 / tau: at the lowest note
    wn = 2 * np.pi * natural
    tau = 1.0 / (2 * damping * wn)
    k = 2 * tau * wn**2 / (2 * np.pi * f_low)
    f0, e_needed = np.empty(0), np.empty(0)
    begins_s: list[float] = []
    settled: list[float] = []
    for i, note in enumerate(notes):
        if i:
            move = int(0.04 * RATE_HZ)
            s = 0.5 - 0.5 * np.cos(np.pi * np.arange(move) / move)
            f0 = np.append(f0, notes[i - 1] * (note / notes[i - 1]) ** s)
            e_needed = np.append(e_needed, np.full(move, e_needed[-1]))
        rest = int(float(rng.uniform(1.0, 1.6)) * RATE_HZ)
        begins_s.append(len(f0) / RATE_HZ)
        f0 = np.append(f0, np.full(rest, note))
        e_needed = np.append(e_needed, np.full(rest, k * float(rng.uniform(-0.08, 0.08))))
        settled.append(1.0 + float(e_needed[-1] - e_needed[0]) / k)
    log_a, e, levels = 0.0, e_needed[0], np.empty(len(f0))
    for i in range(len(f0)):
        levels[i] = log_a
        log_a += np.pi * f0[i] * (e - e_needed[0]) / RATE_HZ
        e += (k * (1.0 - np.exp(log_a)) + e_needed[i] - e) / tau / RATE_HZ
    x, capture = _noisy(5.0 * np.exp(levels) * np.cos(2 * np.pi * np.cumsum(f0) / RATE_HZ), RATE_HZ, rng, 12.0)
    build = BuildSettings(topology="wien-bridge", gain_control="jfet")
    found = told(x, RATE_HZ, Bench(build=build, capture=capture)).level_loop
    where = found.natural_hz.where
    # wn goes with the note and with the level at which the loop is linear; the damping is tau's and wn's
    which = int(np.argmin(np.abs(np.array(begins_s) - where.start_s))) if where else 0
    scale = float(np.sqrt(notes[which] / f_low * settled[which]))
    yield from figure("level loop, natural frequency", found.natural_hz, natural * scale)
    yield from figure("level loop, damping", found.damping, damping / scale)


FAMILIES: dict[str, Callable[[int], Iterator[Figure]]] = {
    "start": start,
    "decay": decay,
    "diodes": diodes,
    "rails": rails,
    "parts": parts,
    "dead-band": dead_band,
    "level-loop": level_loop,
}
