"""Random calls of every kernel: lengths that fit and that do not, numbers that are none, places far outside.

``python -m tests.track.fuzz_calls 0 1000000`` makes so many by number. A call ends with a result, or with TypeError or
ValueError; under a sanitizer (`scripts/sanitize`) a place outside of an array ends the process.
"""

from __future__ import annotations

import ast
import sys
from collections import Counter
from typing import Any

import numpy as np

from listen.native import kernels
from tests.track.twins import stub

Rng = np.random.Generator
ODD_NUMBERS = (0.0, -0.0, 1e-300, 1e300, -1e300, np.inf, -np.inf, np.nan, 4.6e-41, 2.0**62, -(2.0**63))
ODD_COUNTS = (-(2**63), -(2**62), -(2**31), -7, -1, 0, 1, 2**31, 2**40, 2**53, 2**62, 2**63 - 1)
KINDS = {"Doubles": np.float64, "Singles": np.float32, "Ints": np.int64}
SKETCHES: dict[str, str] = {
    # lengths of each argument's axes, in letters that stand for one number each, after ^ one more; after @ a range of
    # numbers; w: any count
    "decimate": "x:L taps:64 step:=2 out:p",
    "decimate_near": "x:L taps:64 step:=2 centres:c reach:w out:p",
    "line_powers": "spectra:n,b,2 out:n,b",
    "take_windows": "x:L centres:c window:s out:c,s",
    "window_powers": "x:L starts:c width:w out:c",
    "periodicity": "x:L centre:w lag:w span:w",
    "best_period": "x:L centre:w out:2",
    "coarse_pitch": "spectra0:c,b spectra1:c,b spectra2:c,b d0:L d1:n d2:s hops:c,3 rates:3 size:s edges:3 peaks:p,3"
    " room:3,17 out:c,4",
    "level_windows": "rest:L step:=3 window:s out:c,S nan_share:c",
    "limit_strays": "values:n width:w out:n",
    "line_levels": "spectra:c,L,2 near:k@0-149 near_ends:4@0-2 floor_bins:k@0-149 floor_ends:4@0-2 room:L out:c,3,2",
    "phase_samples": "knots:k turns:k slopes:k first:w dphi:n phase:n",
    "short_frames": "knots:k turns:k slopes:k first:w x:L centres:c cycles:c out:c,4",
    "place_knots": "samples:k turns:k slopes:k out:n,3",
    "settle_knots": "knots:k,3 sums:k,4 smoother:=11 out:7,k",
    "curve_points": "samples:k turns:k slopes:k places:n out:2,n",
    "torn_places": "values:L side:=4 gap:=2 fits:3,L out:3,c found:c",
    "lay_frames": "samples:k slopes:k calm:k centres:c middle:c slope:c cycles:c out:3,c",
    "grid_places": "knots:k turns:k slopes:k points:=24 start:w place:n dphi:n",
    "interpolate": "x:L place:n middle:64 table:p,3,16 rows:2,s shares:s twice:T out:n",
    "lay_points": "knots:k turns:k slopes:k points:=24 start:w x:L middle:64"
    " table:p,3,16 rows:2,s shares:s twice:T"
    " place:n dphi:n y:n",
    "turn_table": "size:w cosine:L sine:L",
    "sum_cycles": "y:L dphi:L start:w points:=8 lap:=64 centres:c@40-109 cycles:c@1-9 scratch:2,L"
    " summed:c,64 tilted:c,64 means:c,2",
    "leave": "y:L start:w centres:c tables:c,s dc:c out:L",
    "interharmonic_lines": "r:L points:=8 cycles:=4 centres:c@16-134 last:c first:c high:w out:c,7 halves:c,6",
    "residual_histogram": "r:L start:w points:=8 lap:=64 edges:^c crests:c bins:=16 scratch:2,64 out:c,2,16",
    "gather_blocks": "r:L place:L first:w last:w block:=16 low:c,2",
    "subtract_mean_cycle": "y:L place:L start:w points:=8 lap:=64 centres:c tables:c,s dc:c edges:^p crests:p bins:=16"
    " scratch:2,64 block:=16 residual:L low:s,2 histogram:p,2,16",
    "line_pitches": "spectra:2,c,S,2 scale:c tops:c cycles:c amplitude:c,s,2 turned:c,2 used:c sums:c,2 far:2",
    "loud_orders": "amplitude:c,s,2 limits:c least:c out:c",
    "high_orders": "amplitude:c,s,2 limits:c first:=3 out:c,2",
    "cycle_shapes": "amplitude:c,s,2 rows:k@0-1 limits:c least:c points:=64 out:k,8",
    "spectra_single": "frames:c,=96 out:c,49,2",
    "spectra_double": "frames:c,=96 out:c,49,2",
    "rows_single": "spectra:c,49,2 out:c,=96",
    "staged_lines": "table:c,15 returned:k,18 out:c,20",
}


def sketches() -> dict[str, dict[str, str]]:
    return {name: dict(part.split(":") for part in text.split()) for name, text in SKETCHES.items()}


def lengths(rng: Rng) -> dict[str, int]:
    """One number for each letter; now and then 0 or 1."""
    most = {"L": 700, "n": 300, "c": 20, "k": 12, "s": 40, "b": 60, "p": 30, "S": 60, "T": 400}
    least = {"L": 150, "k": 3, "s": 2, "S": 40, "T": 100}
    found = {letter: int(rng.integers(least.get(letter, 1), top)) for letter, top in most.items()}
    if rng.random() < 0.1:
        found[str(rng.choice(list(most)))] = int(rng.integers(0, 3))
    return found


def axis(text: str, known: dict[str, int], rng: Rng) -> int:
    more = text.startswith("^")
    text = text.lstrip("^=")
    length = int(text) if text.isdigit() else known[text]
    return max(length + more + (int(rng.integers(-2, 3)) if rng.random() < 0.01 else 0), 0)


def numbers(rng: Rng, shape: tuple[int, ...], kind: type, rising: bool, span: tuple[int, int]) -> np.ndarray:
    """An array of one kind, in which some numbers may be odd; whole ones lie in a span."""
    if kind is np.int64:
        array = rng.integers(*span, shape)
        odd: Any = ODD_COUNTS
    else:
        array = (rng.standard_normal(shape) * 10.0 ** rng.uniform(-3, 3)).astype(kind)
        odd = ODD_NUMBERS
    if rising and array.ndim == 1:
        array = np.sort(np.abs(array)) if rng.random() < 0.8 else array
    if array.size and rng.random() < (0.1 if kind is np.int64 else 0.25):
        with np.errstate(over="ignore"):
            array.flat[rng.integers(0, array.size, 1 + array.size // 20)] = rng.choice(odd)
    return np.ascontiguousarray(array, dtype=kind)


def argument(rng: Rng, note: str, sketch: str | None, known: dict[str, int]) -> Any:
    if note == "float":
        return float(rng.choice(ODD_NUMBERS)) if rng.random() < 0.1 else float(rng.standard_normal() * 10.0)
    if note == "bool":
        return bool(rng.random() < 0.5)
    if note == "int":
        if rng.random() < 0.05:
            return int(rng.choice(ODD_COUNTS))
        return int(sketch[1:]) if sketch and sketch.startswith("=") else int(rng.integers(0, 60))
    assert sketch is not None
    axes, _, span = sketch.partition("@")
    low, high = map(int, span.split("-")) if span else (-3, 400)
    shape = tuple(axis(one, known, rng) for one in axes.split(","))
    return numbers(rng, shape, KINDS[note], rising=rng.random() < 0.7, span=(low, high))


def call(seed: int, plan: list[tuple[str, list[tuple[str, str, str | None]]]]) -> tuple[str, str]:
    """Make one call: the kernel, and how it ended."""
    rng = np.random.default_rng(seed)
    name, notes = plan[seed % len(plan)]
    known = lengths(rng)
    args = [argument(rng, note, sketch, known) for _, note, sketch in notes]
    try:
        getattr(kernels, name)(*args)
    except (TypeError, ValueError) as error:
        return name, type(error).__name__
    return name, "done"


def plans() -> list[tuple[str, list[tuple[str, str, str | None]]]]:
    """Of each kernel, the name, kind and sketch of each argument."""
    found = []
    known = sketches()
    for name, node in stub().items():
        notes = [(a.arg, ast.unparse(a.annotation), known[name].get(a.arg)) for a in node.args.args if a.annotation]
        found.append((name, notes))
    return found


def main() -> int:
    """Make the calls first .. last - 1, and say of each kernel how many were done."""
    first, last = map(int, sys.argv[1:3])
    plan, ended = plans(), Counter[tuple[str, str]]()
    for seed in range(first, last):
        ended[call(seed, plan)] += 1
    for name, _ in plan:
        sys.stdout.write(f"{name:16} {ended[name, 'done']:7} done, {ended[name, 'ValueError']:7} refused\n")
    sys.stdout.write(f"{last - first} calls\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
