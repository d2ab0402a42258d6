"""Random takes of triangles, sawtooths, squares and pulses, healthy and with one fault, and how they are read.

python -m tests.takes.wave_takes healthy 0 200
python -m tests.takes.wave_takes cut 0 100        cut, bow or glitch at twice their limits
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

import listen
from listen.bench import Bench, BuildSettings, CaptureSettings
from tests.takes.analytic_waves import WaveTake, samples
from tests.takes.runs import say

WAVES = ("triangle", "sawtooth", "square", "pulse")
_OCTAVES_PER_S = 1.5


def healthy(seed: int) -> tuple[WaveTake, bool]:
    """A take of a healthy wave, and whether the bench file states the input's corner."""
    rng = np.random.default_rng([seed, 1])
    wave = WAVES[seed % 4]
    rate = int(rng.choice([48000, 96000, 192000], p=[0.5, 0.3, 0.2]))
    low = float(np.exp(rng.uniform(np.log(30), np.log(4000))))
    octaves = float(rng.choice([0.0, rng.uniform(0.2, 2.0)]))
    octaves = min(octaves, np.log2(4000 / low))
    seconds = max(1.6, 2 * octaves / _OCTAVES_PER_S)
    if rate > 96000 and low < 60:
        # enough of harmonics to add up; the lowest notes are taken at the lower rates
        low, octaves = low * 2, 0.0
    share = 0.5
    if wave == "pulse":
        share = float(rng.uniform(0.08, 0.92))
    take = WaveTake(
        wave=wave,
        share=share,
        low_hz=low,
        high_hz=low * 2**octaves,
        seconds=seconds,
        rate_hz=rate,
        coupling_hz=float(rng.uniform(1.0, 5.0)),
        level_fs=float(10 ** rng.uniform(-1.2, -0.45)),
        snr_db=float(rng.uniform(60, 85)),
        falling=bool(rng.integers(2)),
        reset_s=float(rng.uniform(0.3e-6, 3e-6)),
        corner_s=float(rng.uniform(0.0, 1e-6)),
        recorder_pole_hz=float(rng.choice([0.0, 110e3])),
        comparator_delay_s=float(rng.uniform(0, 2e-6)),
    )
    return take, bool(rng.integers(2))


def faulty(fault: str, seed: int) -> tuple[WaveTake, bool]:
    """A sawtooth with a fault at twice its limit: 4 % of crest lost, 4 % of bow, a spike of 10 %."""
    take, known = healthy(4 * seed + 1)
    rng = np.random.default_rng([seed, 2])
    low = float(np.exp(rng.uniform(np.log(60), np.log(1000))))
    take = replace(take, low_hz=low, high_hz=low * float(rng.choice([1.0, 1.5, 2.0])), seconds=1.6)
    if fault == "cut":
        # of the height c cut off the positive crest loses about 2 c against the negative
        return replace(take, cut=0.0202, falling=False), known
    if fault == "bow":
        return replace(take, bow=0.04 * float(rng.choice([-1.0, 1.0])), falling=False), True
    width_s = float(10 ** rng.uniform(-5.0, -4.0))
    return replace(take, spike=0.10, spike_s=width_s, spike_at=float(rng.uniform(0.05, 0.95)), falling=False), known


def checked(take: WaveTake, known: bool, seed: int) -> listen.CheckResult:
    """Check a take as a recording."""
    with tempfile.TemporaryDirectory() as folder:
        return checked_in(Path(folder), take, known, seed)


def checked_in(folder: Path, take: WaveTake, known: bool, seed: int) -> listen.CheckResult:
    """Check a take as a recording that stays in a folder."""
    capture = CaptureSettings(ac_coupling_hz=take.coupling_hz if known else None)
    bench = Bench(build=BuildSettings(wave=take.wave), capture=capture)
    path = folder / "take.wav"
    soundfile.write(path, samples(take, seed), take.rate_hz, subtype="PCM_24")
    return listen.check(path, bench=bench, threads=1)


KINDS = {"cut": "asymmetric-clipping", "bow": "ramp-bow", "glitch": "reset-glitch"}
_NOT_OF_THE_WAVE = {"capture-bandwidth", "level-drift"}
"""The recording's, and what an unknown coupling makes of the level below 60 Hz."""


def main(what: str, first: int, last: int) -> None:
    """Check takes by number and print what is read wrongly."""
    found, off, bad = Counter(), [], 0
    for seed in range(first, last):
        take, known = healthy(seed) if what == "healthy" else faulty(what, seed)
        result = checked(take, known, seed)
        kinds = {f.kind for f in result.findings} - {"capture-bandwidth"}
        found.update(kinds)
        shape = result.judgement.account.wave_shape
        wrong = bool(kinds) if what == "healthy" else kinds - _NOT_OF_THE_WAVE != {KINDS[what]}
        share = float("nan")
        if shape is not None and take.wave in ("triangle", "square", "pulse"):
            true = 1 - take.share if take.falling and take.wave == "triangle" else take.share
            share = 100 * float(np.max(np.abs(shape.share - true)))
            off.append(share)
            wrong |= share > 0.1
        if shape is None:
            wrong = True
        bad += wrong
        if wrong:
            say(f"{seed} {sorted(kinds)} share off {share:.3f}, corner {'known' if known else 'unknown'}, {take}")
            for f in result.findings:
                say(f"      {f.kind} {dict(f.evidence)}")
    say(f"{what}: {bad} of {last - first} read wrongly; findings {dict(found)}")
    if off:
        say(f"share off by {np.median(off):.4f} points in the median, {np.max(off):.4f} at the most")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
