"""Captures that no oscillator made: short sweeps, noise and steps, cut, holed, repeated, scaled to nearly nothing.

``python -m tests.track.mutants 0 10000`` checks so many by number and says which, if any, ended otherwise than with a
result or a line for the user. Under a sanitizer (`scripts/sanitize`) a place outside of an array ends the process.
"""

from __future__ import annotations

import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

import listen

Samples = np.ndarray
Rng = np.random.Generator
RATES = (8000, 22050, 44100, 48000, 96000)
TINY = 4.6e-41
"""Below the least number that single precision holds with all its digits."""


def sweep(rng: Rng, n: int) -> Samples:
    low, high = np.sort(np.exp(rng.uniform(np.log(1e-4), np.log(0.6), 2)))
    if rng.random() < 0.5:
        low, high = high, low
    return np.sin(2 * np.pi * np.cumsum(low * (high / low) ** (np.arange(n) / n)))


def tone(rng: Rng, n: int) -> Samples:
    place = np.arange(n) * np.exp(rng.uniform(np.log(5e-4), np.log(0.49)))
    return sum(np.cos(2 * np.pi * (k * place + rng.random())) / k for k in range(1, 2 + int(rng.integers(9))))


def steps(rng: Rng, n: int) -> Samples:
    each = 1 + int(rng.integers(max(n // 3, 1)))
    slopes = np.repeat(np.exp(rng.uniform(np.log(1e-3), np.log(0.45), n // each + 1)), each)[:n]
    return np.sin(2 * np.pi * np.cumsum(slopes))


def noise(rng: Rng, n: int) -> Samples:
    return rng.standard_normal(n)


def pulses(rng: Rng, n: int) -> Samples:
    x = np.zeros(n)
    x[:: 1 + int(rng.integers(1, 200))] = 1.0
    return x


BASES: tuple[Callable[[Rng, int], Samples], ...] = (sweep, sweep, tone, tone, steps, noise, pulses)


def piece(rng: Rng, n: int) -> slice:
    a, b = np.sort(rng.integers(0, n + 1, 2))
    return slice(int(a), int(b))


def mutate(rng: Rng, x: Samples) -> Samples:
    """Change one thing."""
    x, part = x.copy(), piece(rng, len(x))
    kind = int(rng.integers(12))
    if kind == 0:
        x[part] = 0.0
    elif kind == 1:
        x[part] = TINY * rng.standard_normal(part.stop - part.start)
    elif kind == 2:
        x[rng.random(len(x)) < rng.random()] = 0.0
    elif kind == 3:
        x = np.concatenate([x, np.full(int(rng.integers(1, 4000)), rng.choice([0.0, TINY, -TINY]))])
    elif kind == 4:
        x[part] *= 10.0 ** rng.uniform(-45.0, 2.0)
    elif kind == 5:
        x = np.concatenate([x, x[part], x[part]])
    elif kind == 6:
        x[part] = -x[part][::-1]
    elif kind == 7:
        x = np.concatenate([x[: part.start], x[part.stop :]]) if part.stop - part.start < len(x) - 8 else x
    elif kind == 8:
        x = np.clip(x, -(10.0 ** rng.uniform(-3.0, 0.0)), 10.0 ** rng.uniform(-3.0, 0.0))
    elif kind == 9:
        x[int(rng.integers(len(x)))] = rng.choice([1.0, -1.0, 3.0, 1e-30])
    elif kind == 10:
        x = x * 10.0 ** rng.uniform(-42.0, 0.0)
    else:
        x = x + rng.uniform(-1.0, 1.0)
    return x


def dying_sweep(seed: int) -> tuple[Samples, int]:
    """A sweep of 600 samples with holes, then nearly nothing, 550 samples long: once read outside of its arrays."""
    rng = np.random.default_rng(seed)
    low, high = sorted(np.exp(rng.uniform(np.log(2e-3), np.log(0.5), 2)))
    if rng.random() < 0.5:
        low, high = high, low
    x = np.sin(2 * np.pi * np.cumsum(low * (high / low) ** (np.arange(600) / 600))) * 10 ** rng.uniform(-2, 0)
    for _ in range(rng.integers(1, 5)):
        i = rng.integers(0, 600)
        x[i : i + rng.integers(1, 120)] = 0
    end = TINY * (np.ones(550) if rng.random() < 0.5 else rng.standard_normal(550))
    rate_hz = int(rng.choice([8000, 11025, 16000, 22050, 44100, 48000, 96000, 192000]))
    return np.float32(np.concatenate([x, end])), rate_hz


def capture(seed: int) -> tuple[Samples, int]:
    """Samples in single precision, and their rate."""
    if seed % 10 == 9:
        return dying_sweep(seed)
    rng = np.random.default_rng(seed)
    n = int(np.exp(rng.uniform(np.log(40), np.log(12000)))) if seed % 3 else 600
    x = BASES[int(rng.integers(len(BASES)))](rng, n) * 10.0 ** rng.uniform(-4.0, 0.0)
    for _ in range(int(rng.integers(1, 7))):
        x = mutate(rng, x)
    return np.float32(x[:40000]), int(rng.choice(RATES))


def check(made: tuple[Samples, int], path: Path) -> str:
    """What became of one: a result, a line for the user, or a fault of ours."""
    x, rate_hz = made
    soundfile.write(path, x, rate_hz, subtype="FLOAT")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            listen.check(path)
    except listen.ListenError:
        return "refused"
    except Exception as error:  # whatever it is: it is what is looked for
        return f"{type(error).__name__}: {error}"
    return "checked"


def tell(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main() -> int:
    """Check the captures first .. last - 1; status 1 where one ended in a fault."""
    first, last = map(int, sys.argv[1:3])
    counts = {"checked": 0, "refused": 0}
    faults = 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, last):
            if len(sys.argv) > 3:
                tell(str(seed))
            ended = check(capture(seed), Path(folder) / "mutant.wav")
            if ended in counts:
                counts[ended] += 1
            else:
                faults += 1
                tell(f"{seed}: {ended}")
    tell(f"{counts['checked']} checked, {counts['refused']} refused, {faults} faults of {last - first}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
