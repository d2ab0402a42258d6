"""Random bridges by number, and how far the figures lie from the parts: ``python -m tests.circuit.unseen 0 100``."""

from __future__ import annotations

import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np

import listen
from listen.circuit.types import Quantity
from tests.circuit.bridges import Bridge, record


def bridge(number: int) -> Bridge:
    """Draw a bridge: a start, a sweep with gangs that part, or rails."""
    rng = np.random.default_rng(number)
    snr_db = float(rng.uniform(45.0, 85.0))
    pole_hz = float(np.exp(rng.uniform(np.log(1e6), np.log(6e6))))
    low = float(np.exp(rng.uniform(np.log(80.0), np.log(400.0))))
    kind = number % 3
    if kind == 0:
        f0 = float(np.exp(rng.uniform(np.log(80.0), np.log(3000.0))))
        hard = rng.random() < 0.5
        gain = 3.0 + float(np.exp(rng.uniform(np.log(0.04), np.log(0.35 if hard else 0.12))))
        seconds = max(0.8, 16.0 / (np.pi * f0 * (gain - 3.0)) + 0.8)
        return Bridge(
            f0_hz=(f0, f0), gain=gain, kick_v=1e-4, seconds=seconds, snr_db=snr_db, pole_hz=pole_hz, seed=number,
            rails_v=(-10.0, 10.0) if hard else None,
        )  # fmt: skip
    if kind == 1:
        gangs = tuple(rng.uniform(-2.0, 2.0, 2).tolist())
        share = float(rng.uniform(0.08, 0.18))
        # the diodes can take back no more than their own share of the gain
        gain = float(rng.uniform(3.05, 3.0 + 0.6 * share * 2.0))
        return Bridge(
            f0_hz=(low, 8 * low), gain=gain, gangs_percent=(gangs[0], gangs[1]), seconds=2.5, snr_db=snr_db,
            pole_hz=pole_hz, seed=number, diode_share=share,
        )  # fmt: skip
    rails = (-float(rng.uniform(7.0, 12.0)), float(rng.uniform(7.0, 12.0)))
    return Bridge(
        f0_hz=(low, 6 * low), gain=float(rng.uniform(3.08, 3.5)), rails_v=rails, seconds=2.0, snr_db=snr_db,
        pole_hz=pole_hz, seed=number,
    )  # fmt: skip


def errors(number: int) -> Iterator[tuple[str, float, float, float]]:
    """Name, value, truth and sigma of each figure of one take; NaN where it is missing."""
    made = bridge(number)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        bench = record(made, path)
        result = listen.check(path, bench=bench)
    circuit = result.circuit
    if circuit is None:
        yield "circuit", np.nan, 1.0, 1.0
        return
    low, high = made.gangs_percent
    along = circuit.gang_mismatch.along
    if made.kick_v is not None:
        yield _row("gain at the start", circuit.loop_gain_in_hand, 100 * (made.gain / 3 - 1))
        return
    yield _row("gain of the curve", circuit.loop_gain_in_hand, 100 * (made.gain / (3 + (low + high) / 200) - 1))
    if made.rails_v is not None:
        yield _row("clip", circuit.clip_negative_v, made.rails_v[0])
        yield _row("clip", circuit.clip_positive_v, made.rails_v[1])
    elif along:
        part = (along[-1].time_s - along[0].time_s) / made.seconds
        yield _row("spread", circuit.gang_mismatch.spread_percent, abs(high - low) * part)


def _row(name: str, quantity: Quantity, truth: float) -> tuple[str, float, float, float]:
    value = np.nan if quantity.value is None else quantity.value
    return name, value, truth, quantity.sigma or np.nan


def main(words: list[str]) -> int:
    found: dict[str, list[tuple[int, float, float, float]]] = defaultdict(list)
    for number in range(int(words[0]), int(words[1])):
        for name, value, truth, sigma in errors(number):
            found[name].append((number, value, truth, sigma))
    for name, rows in found.items():
        table = np.array([row[1:] for row in rows])
        known = np.isfinite(table[:, 0])
        value, truth, sigma = table[known].T
        z, relative = (value - truth) / sigma, np.abs(value / truth - 1)
        sys.stdout.write(
            f"{name}: {known.sum()} of {len(rows)} read; within 1 sigma {np.mean(np.abs(z) < 1):.0%}, "
            f"2 sigma {np.mean(np.abs(z) < 2):.0%}, r.m.s. {np.sqrt(np.mean(z**2)):.2f}, "
            f"worst {np.max(np.abs(z)):.1f}; "
            f"median error {np.median(relative):.2%}, 95 % {np.quantile(relative, 0.95):.2%}\n"
        )
        for (number, *_), far in zip([r for r, k in zip(rows, known, strict=True) if k], z, strict=True):
            if abs(far) > 3:
                sys.stdout.write(f"  take {number}: {far:+.1f} sigma\n")
        missing = [str(row[0]) for row, k in zip(rows, known, strict=True) if not k]
        if missing:
            sys.stdout.write(f"  missing in {', '.join(missing)}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
