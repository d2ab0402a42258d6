"""What watching costs: processor time, latency of steps, memory over an hour.

    .venv/bin/python scripts/bench_watch.py [--only cost,latency,memory] [--minutes N] [--json FILE]

Processor time and latency are those of the engine on samples in memory, in blocks of 10 ms; a step's latency is counted
in samples received, so that a busy machine does not change it (the time to measure comes on top). For
memory, N minutes (60 if nothing is said) of a board that is turned go through the command's pipe as quickly as it takes
them; what the closing check needs is its own, and is left out.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from listen.watch.engine import Engine  # noqa: E402
from listen.watch.pcm import StreamFormat  # noqa: E402
from listen.watch.settings import Settings  # noqa: E402
from listen.watch.types import Event, Reading  # noqa: E402
from tests.watch.streams import MemoryFeed, encoded  # noqa: E402

RATE_HZ = 48_000
RAW = StreamFormat(sample_rate_hz=RATE_HZ, channels=1, encoding="f32")


def watched(x: np.ndarray, *, findings: bool = False) -> tuple[list[Reading], float]:
    """Readings, and seconds of processor time a second of signal."""
    events: list[Event] = []
    engine = Engine(MemoryFeed(encoded(x)), Settings(check={}, raw=RAW, findings=findings), events.append)
    begun = time.process_time()
    engine.hear()
    spent_s = time.process_time() - begun
    engine.finish()
    engine.discard()
    return [event for event in events if isinstance(event, Reading)], spent_s / (len(x) / RATE_HZ)


def signals(seconds: float) -> dict[str, np.ndarray]:
    """What comes in: a tone, and what is none."""
    rng = np.random.default_rng(1)
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    noise = rng.standard_normal(len(t))
    tone = 0.3 * np.sin(2 * np.pi * 440 * t) + 0.003 * np.sin(2 * np.pi * 880 * t)
    sweep = 0.3 * np.sin(2 * np.pi * 200 * (2 ** (0.3 * t) - 1) / (0.3 * np.log(2)))
    glide = 140 * (1 + 0.15 * np.sin(2 * np.pi * 2.2 * t))
    phase = 2 * np.pi * np.cumsum(glide) / RATE_HZ
    speech = 0.1 * sum(np.sin(k * phase) / k for k in range(1, 20)) * (np.sin(2 * np.pi * 2 * t) > -0.3) + 0.005 * noise
    return {
        "tone": tone + 1e-4 * noise,
        "sweep": sweep + 1e-4 * noise,
        "low note, 25 Hz": 0.3 * np.sin(2 * np.pi * 25 * t) + 1e-4 * noise,
        "hiss": 0.1 * noise,
        "silence": 1e-5 * noise,
        "zeros": 0.0 * noise,
        "hum": 0.01 * np.sin(2 * np.pi * 50 * t) + 0.004 * np.sin(2 * np.pi * 150 * t) + 1e-4 * noise,
        "clipped": np.clip(1.5 * np.sin(2 * np.pi * 331.7 * t), -1, 1 - 2**-15),
        "speech-like": speech,
    }


def costs(seconds: float) -> dict[str, float]:
    """Share of a core of each signal; medians of three, in turn."""
    found: dict[str, list[float]] = {}
    for _ in range(3):
        for name, x in signals(seconds).items():
            found.setdefault(name, []).append(watched(x)[1])
        found.setdefault("tone, with findings", []).append(watched(signals(seconds)["tone"], findings=True)[1])
    return {name: statistics.median(values) for name, values in found.items()}


def latency(make: Callable[[float], np.ndarray], reached: Callable[[Reading], bool]) -> tuple[float, float]:
    """Median and worst time from a step to the first reading that shows it."""
    found = []
    for at_s in np.linspace(1.0, 1.05, 15):
        readings, _ = watched(make(float(at_s)))
        found.append(next(r.heard_s for r in readings if r.heard_s > at_s and reached(r)) - float(at_s))
    return statistics.median(found), max(found)


def latencies() -> dict[str, tuple[float, float]]:
    """Of a step in level, in H2, and to another note."""
    t = np.arange(round(1.5 * RATE_HZ)) / RATE_HZ
    tone, second = np.sin(2 * np.pi * 440 * t), np.cos(2 * np.pi * 880 * t)

    def note(low_hz: float, high_hz: float) -> Callable[[float], np.ndarray]:
        return lambda at_s: 0.3 * np.sin(2 * np.pi * np.cumsum(np.where(t > at_s, high_hz, low_hz)) / RATE_HZ)

    def near(f0_hz: float) -> Callable[[Reading], bool]:
        return lambda r: r.f0_hz is not None and abs(1200 * np.log2(r.f0_hz / f0_hz)) < 5

    return {
        "level, 6 dB": latency(
            lambda at_s: np.where(t > at_s, 0.3, 0.15) * tone, lambda r: (r.level_dbfs or -99) > -11.46
        ),
        "H2, 12 dB": latency(
            lambda at_s: 0.3 * (tone + np.where(t > at_s, 0.02, 0.005) * second),
            lambda r: r.h2_dbc is not None and abs(r.h2_dbc + 33.98) < 1,
        ),
        "note, a third": latency(note(440.0, 550.0), near(550.0)),
        "note, an octave down": latency(note(440.0, 220.0), near(220.0)),
    }


def memory(minutes: float) -> dict[str, float]:
    """Resident memory in MB after a tenth of the take and at its end, the growth a minute, and the pace."""
    one = signals(20.0)["sweep"]
    data = encoded(np.concatenate([one, one[::-1]]), "f32")
    command = [sys.executable, "-m", "listen.cli", "watch", "-", "--rate", str(RATE_HZ), "--format", "f32", "--quiet"]
    command += ["--json-lines", os.devnull]
    points: list[tuple[float, float]] = []
    begun = time.monotonic()
    with (
        tempfile.TemporaryDirectory(prefix="listen-bench-") as folder,
        subprocess.Popen(
            [*command, "--json-lines", os.devnull],
            stdin=subprocess.PIPE,
            cwd=ROOT,
            env={**os.environ, "TMPDIR": folder},
        ) as process,
    ):
        assert process.stdin is not None
        for number in range(round(minutes * 60 / 40)):
            for at in range(0, len(data), 1 << 16):
                process.stdin.write(data[at : at + (1 << 16)])
            points.append(((number + 1) * 40 / 60, resident_mb(process.pid)))
        pace = minutes * 60 / (time.monotonic() - begun)
        process.kill()  # the closing check has memory of its own
    early = [mb for minute, mb in points if 0.1 * minutes < minute < 0.3 * minutes]
    late = [mb for minute, mb in points if minute > 0.8 * minutes]
    return {
        "early_mb": statistics.median(early),
        "late_mb": statistics.median(late),
        "most_mb": max(mb for _, mb in points),
        "mb_a_minute": (statistics.median(late) - statistics.median(early)) / (0.7 * minutes),
        "times_real_time": pace,
    }


def resident_mb(process_id: int) -> float:
    """Resident memory of a process."""
    lines = Path(f"/proc/{process_id}/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmRSS")).split()[1]) / 1024


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="cost,latency,memory", help="which of cost,latency,memory")
    parser.add_argument("--minutes", type=float, default=60.0, help="of the take for memory")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    parts = options.only.split(",")
    watched(signals(2.0)["tone"])
    cost = costs(10.0) if "cost" in parts else {}
    for name, share in cost.items():
        print(f"{name:<22}{100 * share:6.1f} % of a core   {share / cost['tone']:.2f} of a tone's", flush=True)
    delay = latencies() if "latency" in parts else {}
    for name, (middle, worst) in delay.items():
        print(f"{name:<22}{1000 * middle:6.0f} ms median, {1000 * worst:.0f} worst", flush=True)
    held = memory(options.minutes) if "memory" in parts else {}
    for name, value in held.items():
        print(f"{name:<22}{value:8.2f}")
    if options.json is not None:
        options.json.write_text(json.dumps({"cost": cost, "latency_s": delay, "memory": held}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
