"""Who tracks pitch how well, and in what time: the same takes, the same run, one clock."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from bench_peers import OURS, Tracker, available, stft_pass, version
from bench_takes import EDGE_S, Floats, Take, long_take, short_takes
from bench_words import losses, markdown, table, wrapped

GROSS_CENTS = 50.0
UNIT = "one STFT pass"
WORDS = {
    "median": ("less exact (median, takes) than", " c"),
    "p95": ("less exact (95 %, takes) than", " c"),
    "gross": ("more gross errors (takes) than", " %"),
    "long_median": ("less exact (median, sweep) than", " c"),
    "long_p95": ("less exact (95 %, sweep) than", " c"),
    "long_gross": ("more gross errors (sweep) than", " %"),
    "seconds": ("slower than", " s"),
    "cpu_s": ("more processor time than", " s"),
}
HEAD = ("", "cents", "95 %", "gross %", "cents", "95 %", "gross %", "time s", "cpu s", "/ STFT")
GROUPS = (("", 1), ("takes", 3), ("sweep", 3), ("time for the sweep", 3))


def errors(tracker: Tracker, take: Take) -> Floats:
    """Absolute errors in cents of all rows that can be judged; infinite where no pitch was given."""
    time_s, f0_hz = tracker.run(take)
    want = take.f0_hz(time_s)
    known = (time_s > EDGE_S) & (time_s < take.seconds - EDGE_S)
    known &= (want >= tracker.low_hz) & (want <= tracker.high_hz)
    found = known & np.isfinite(f0_hz) & (f0_hz > 0)
    off = np.full(len(want), np.inf)
    off[found] = np.abs(1200 * np.log2(f0_hz[found] / want[found]))
    return off[known]


def accuracy(off: Floats) -> dict[str, float]:
    """Median and 95 % of the pitches given; gross: over 50 cents off, or none given."""
    given = off[np.isfinite(off)]
    if len(given) == 0:
        return {"gross": 100.0} if len(off) else {}
    return {
        "median": float(np.median(given)),
        "p95": float(np.quantile(given, 0.95)),
        "gross": 100.0 * float(np.mean(off > GROSS_CENTS)),
    }


def interleaved(jobs: dict[str, Callable[[], object]], runs: int) -> dict[str, tuple[float, float]]:
    """Median wall and processor seconds of each job: one of each, then again, so that all share the machine's moods."""
    walls: dict[str, list[float]] = {name: [] for name in jobs}
    cpus: dict[str, list[float]] = {name: [] for name in jobs}
    for _ in range(runs):
        for name, job in jobs.items():
            wall, cpu = time.perf_counter(), time.process_time()
            job()
            walls[name].append(time.perf_counter() - wall)
            cpus[name].append(time.process_time() - cpu)
    return {name: (float(np.median(walls[name])), float(np.median(cpus[name]))) for name in jobs}


def measure(most_cost: int, runs: int, say: Callable[[str], None]) -> dict[str, Any]:
    """Run all trackers over all takes.

    Parameters
    ----------
    most_cost : int
        Dearer peers are left out.
    runs : int
        Timed runs on the sweep, after the one that measures its accuracy and warms up.
    say : callable
        Told what goes on.
    """
    trackers, left = available(most_cost)
    takes, sweep = short_takes(), long_take()
    rows: dict[str, dict[str, float]] = {}
    for tracker in trackers:
        say(f"pitch: {tracker.name}")
        found = accuracy(np.concatenate([errors(tracker, take) for take in takes]))
        found |= {f"long_{key}": value for key, value in accuracy(errors(tracker, sweep)).items()}
        rows[tracker.name] = found
    single = sweep.samples.astype(np.float32)
    jobs: dict[str, Callable[[], object]] = {UNIT: lambda: stft_pass(single)}
    jobs |= {tracker.name: lambda run=tracker.run: run(sweep) for tracker in trackers}  # type: ignore[misc]
    stft_pass(single)
    say(f"pitch: {runs} timed runs of each, interleaved")
    times = interleaved(jobs, runs)
    for name, (wall, cpu) in times.items():
        rows.setdefault(name, {})
        rows[name] |= {"seconds": wall, "cpu_s": cpu, "ratio": wall / times[UNIT][0]}
    versions = {t.distribution: version(t.distribution) for t in trackers if t.distribution != OURS.distribution}
    limited = [f"{t.name}: {t.low_hz:g} to {t.high_hz:g} Hz" for t in trackers if np.isfinite(t.high_hz)]
    return {
        "rows": rows,
        "left_out": left,
        "versions": versions,
        "limited": limited,
        "takes": [f"{take.name} ({take.seconds:g} s)" for take in takes],
        "runs": runs,
    }


def _cells(found: dict[str, Any]) -> list[list[str | float | None]]:
    keys = ("median", "p95", "gross", "long_median", "long_p95", "long_gross", "seconds", "cpu_s", "ratio")
    named = sorted(found["rows"].items(), key=lambda item: item[1]["seconds"])
    return [[name, *(row.get(key) for key in keys)] for name, row in named]


def lost(found: dict[str, Any]) -> list[str]:
    """What others do better. The unit of time tracks nothing, and ours on one thread is ours."""
    others = {n: r for n, r in found["rows"].items() if n != UNIT and not n.startswith("listen")}
    return losses(found["rows"][OURS.name], others, WORDS)


def lines(found: dict[str, Any]) -> list[str]:
    """The section as it is printed."""
    notes = [
        f"Takes: {', '.join(found['takes'])}; {len(found['takes'])} in all.",
        "Sweep: 60 s, 40 Hz to 8 kHz, 20 harmonics. Gross: over 50 cents off, or no pitch given.",
        "Every peer is told the range of the take, half an octave wider.",
        f"Judged within their own range alone: {'; '.join(found['limited'])}." if found["limited"] else "",
        f"Times: the sweep, medians of {found['runs']} after a warm-up, interleaved; over librosa.stft, 2048 by 512.",
        "Versions: " + ", ".join(f"{name} {version}" for name, version in found["versions"].items()) + ".",
    ]
    notes = [" ".join(notes), *(f"Left out: {left}." for left in found["left_out"])]
    return [*table(HEAD, _cells(found), groups=GROUPS), *[line for note in notes for line in wrapped(note)]]


def readme(found: dict[str, Any]) -> list[str]:
    """The section as a table of the README."""
    head = ("pitch", "takes, cents", "95 %", "gross %", "sweep, cents", "95 %", "time / STFT pass")
    keep: Sequence[int] = (0, 1, 2, 3, 4, 5, 9)
    rows = [[row[i] for i in keep] for row in _cells(found) if row[0] != UNIT]
    return markdown(head, rows)
