"""Figures of a few takes of every family, as they were read when ``figures.json`` was written.

``python -m tests.account.figures`` writes it anew, after a change that is meant to move them, and ``neighbours.json``;
with names of takes behind it (``wave:healthy/4``), the figures of these alone.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np

import listen
from listen.native import kernels
from listen.report import check_document
from listen.track import short_spectra
from tests.account.neighbours import Near, count_for, kept_calls, near_of, small_calls, values_near
from tests.takes.classes import CLASSES
from tests.takes.files import ensure
from tests.takes.runs import say
from tests.takes.wave_takes import checked_in, faulty, healthy

FILE = Path(__file__).with_name("figures.json")
NEAR_FILE = Path(__file__).with_name("neighbours.json")
NEAR_TAKES = (
    *("pair:asymmetric-clipping/mains-hum", "wave:healthy/4", "pair:amplitude-hunting/level-drift", "wave:glitch/14"),
    *("single:capture-overload", "foreign:choir", "pair:even-order-distortion/slew-limiting", "single:capture-gap"),
    *("circuit:wien-bad-spot", "single:crossover-distortion", "bench:second-heard", "wave:healthy/6", "wave:cut/9"),
    *("single:subharmonic", "bench:fade-end", "circuit:ladder", "wave:healthy/7", "foreign:two-boards", "wave:bow/10"),
    *("wrong:sine-as-triangle", "single:amplitude-bounce", "pair:parasitic-oscillation/pitch-instability"),
)
"""Takes in whose check nearly every function of the two packages is called: these stand in ``neighbours.json``."""
NEAR_EACH = 4
"""In so many of these takes a function is called again near its calls, chosen by seed: more notice little more."""
ROUNDING_FILE = Path(__file__).with_name("rounding.json")
"""How the kernels rounded with which the answers were written. Those of another level of processor, or of another
compiler, round otherwise, and fits that end early carry it further: there only whole takes are compared."""
OTHER = {"OPENBLAS_CORETYPE": "Nehalem", "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX512F,-AVX2,-FMA,-FMA4"}
"""Environment in which OpenBLAS and the GNU C library compute in another order, as on another processor."""
NEAR = "--near"
"""Option of the second process: a file with the counts, in whose place it writes the answers."""
SEED = 7
"""Any: no limit or constant was chosen by takes of this number."""
TAKES: dict[str, tuple[str, ...]] = {
    "single": ("*",),
    "pair": (
        "asymmetric-clipping/mains-hum",
        "even-order-distortion/slew-limiting",
        "amplitude-hunting/level-drift",
        "crossover-distortion/subharmonic",
        "parasitic-oscillation/pitch-instability",
        "oscillation-dropout/amplitude-bounce",
    ),
    "powerup-hum": ("50/through", "60/steady"),
    "bench": (
        *("detents", "second-heard", "scratchy", "lamp-normal", "brief-burst", "partial-clip", "fade-end"),
        *("hands-hum-heard", "knock-during", "off-short"),
    ),
    "near": (
        *("amplitude-bounce/1.5", "amplitude-hunting/0.6", "asymmetric-clipping/1.5", "crossover-distortion/1.5"),
        *("level-drift/0.6", "mains-hum/1.5", "parasitic-oscillation/1.5", "pitch-instability/0.6"),
        "subharmonic/0.6",
    ),
    "circuit": ("vdp-hard", "ladder", "wien-bad-spot", "wien-rail-one"),
    "foreign": ("choir", "two-boards"),
    "wrong": ("channel", "sine-as-triangle"),
}
"""By class of take: variants, or all."""
WAVES = {"healthy": (4, 5, 6, 7), "cut": (9, 12), "bow": (10, 13), "glitch": (14,)}
"""Triangles, sawtooths, squares and pulses: four in order by number, and some with each fault."""
KEPT_TAKES = "LISTEN_KEPT_TAKES"
"""Environment variable: a folder that keeps the takes, for runs that repeat the same tests."""
WITHIN, WITHIN_OTHERS = (1e-4, 1e-6), (2e-2, 1e-3)
"""Relative and absolute. With the same kernels all six digits were the same on another processor, and a constant that
matters moves something by more. Kernels that round otherwise move what is next to nothing, as thousandths of a cent or
of a per cent, by up to 7 per cent of itself."""
SHARES = "account.thd"
"""Shares of THD in order of size, in which those next to nothing change places: not compared with other kernels."""
LEFT_OUT = {"sentence", "likely_causes", "next_checks", "sigma"}
"""Words and standard deviations, which tests of their own hold."""


def names() -> list[str]:
    """Class and variant of each take."""
    out = []
    for class_name, variants in TAKES.items():
        known = CLASSES[class_name].variants()
        out += [f"{class_name}:{v}" for v in (known if variants == ("*",) else variants)]
    return out + [f"wave:{what}/{seed}" for what, seeds in WAVES.items() for seed in seeds]


def checked(name: str, folder: Path) -> listen.CheckResult:
    class_name, variant = name.split(":")
    kept = os.environ.get(KEPT_TAKES)
    if class_name == "wave":
        what, seed = variant.split("/")
        take, corner_known = healthy(int(seed)) if what == "healthy" else faulty(what, int(seed))
        return checked_in(folder, take, corner_known, int(seed))
    path, truth = ensure(CLASSES[class_name], variant, SEED, Path(kept) if kept else folder)
    options = {key: value for key, value in truth["options"].items() if key != "bench"}
    return listen.check(path, wave=truth["wave"], **options)


def figures_of(name: str, folder: Path) -> dict[str, Any]:
    """What is read of one take."""
    return figures_in(checked(name, folder))


def figures_in(result: listen.CheckResult) -> dict[str, Any]:
    """Verdict, findings and parts, numbers to six digits."""
    document = check_document(result)
    chosen = {key: document[key] for key in ("verdict", "findings", "account") if key in document}
    flat = dict(_flat(chosen, ""))
    return {key: float(f"{value:.6g}") if isinstance(value, float) else value for key, value in flat.items()}


def _flat(value: Any, place: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if key not in LEFT_OUT:
                yield from _flat(inner, f"{place}.{key}" if place else str(key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from _flat(inner, f"{place}.{i}")
    elif isinstance(value, (bool, int, float)) or (isinstance(value, str) and len(value) < 40):
        yield place, value


def rounding() -> int:
    """A number that tells kernels apart by level and by how they round: harmonics and spectra of random waves."""
    rng = np.random.default_rng(3)
    table = np.tile([0.05, 0.0, 0.0, 0.0, 0.0, 0.0, 0.2, 0.5, 0.1, 0.05, 0.9, 0.95, 1.2, 0.1, 0.1], (64, 1))
    table = table * rng.uniform(0.9, 1.1, table.shape)
    out = np.empty((64, 20))
    kernels.staged_lines(table, rng.uniform(-0.02, 0.02, (64, 18)), True, False, True, True, False, out)
    loop = np.empty((64, 20))
    kernels.staged_lines(table, np.zeros((64, 18)), True, False, True, True, True, loop)
    wave, spectrum = rng.standard_normal((4, 1024)).astype(np.float32), np.empty((4, 513), dtype=np.complex64)
    short_spectra(wave, spectrum)
    return crc32(kernels.LEVEL.encode() + out.tobytes() + loop.tobytes() + spectrum.tobytes())


def rounds_alike() -> bool:
    """Whether these kernels round as those with which the answers were written."""
    return bool(rounding() == json.loads(ROUNDING_FILE.read_text(encoding="utf-8"))["rounding"])


def differences(was: Mapping[str, Any], now: Mapping[str, Any], alike: bool = True) -> list[str]:
    """Places at which two sets of figures differ; ``alike``: of kernels that round alike."""
    within, smallest = WITHIN if alike else WITHIN_OTHERS
    if not alike:
        was, now = ({k: v for k, v in figures.items() if not k.startswith(SHARES)} for figures in (was, now))
    out = [f"{key}: {was.get(key)} -> {now.get(key)}" for key in sorted(was.keys() ^ now.keys())]
    for key in sorted(was.keys() & now.keys()):
        one, other = was[key], now[key]
        number = all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in (one, other))
        if not (math.isclose(one, other, rel_tol=within, abs_tol=smallest) if number else one == other):
            out.append(f"{key}: {one} -> {other}")
    return out


def near_values(counts: Mapping[str, Mapping[str, int]], folder: Path) -> dict[str, dict[str, list[float]]]:
    """By take and function, its answers at so many neighbours of each call."""
    out = {}
    for name, wanted in counts.items():
        with kept_calls() as calls:
            checked(name, folder)
        out[name] = values_near(calls, wanted)
    return out


def near_counts(wanted: list[str], folder: Path) -> dict[str, dict[str, int]]:
    """By take and function, how many neighbours of each call are looked at; a function's in few of the takes."""
    called: dict[str, list[str]] = {}
    for name in wanted:
        with kept_calls() as calls:
            checked(name, folder)
        for label in small_calls(calls):
            called.setdefault(label, []).append(name)
    chosen = {
        label: sorted(takes, key=lambda take: crc32(f"{label} {take}".encode()))[:NEAR_EACH]
        for label, takes in sorted(called.items())
    }
    out = {}
    for name in wanted:
        with kept_calls() as calls:
            checked(name, folder)
        small = small_calls(calls)
        counts = {label: count_for(label, small[label]) for label, takes in chosen.items() if name in takes}
        out[name] = {label: count for label, count in counts.items() if count}
    return out


def known_near(path: Path) -> dict[str, dict[str, Near]]:
    """What stands in the file."""
    read = json.loads(path.read_text(encoding="utf-8"))
    return {
        name: {label: Near(count, total, tuple(left_out)) for label, (count, total, left_out) in each.items()}
        for name, each in read.items()
    }


def _written(by_take: Mapping[str, Mapping[str, Any]]) -> str:
    lines = [f" {json.dumps(name)}: {json.dumps(figures, separators=(',', ':'))}" for name, figures in by_take.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _new_near(wanted: list[str], folder: Path) -> dict[str, dict[str, list[Any]]]:
    """Answers here, without those that differ on another processor: a fit that ends early on one of them."""
    counts = near_counts(wanted, folder)
    told = folder / "counts.json"
    told.write_text(json.dumps(counts), encoding="utf-8")
    call = [sys.executable, "-W", "ignore", "-m", "tests.account.figures", NEAR, str(told)]
    # what LAPACK says of a NaN goes to the standard output
    with subprocess.Popen(call, env=os.environ | OTHER, stdout=subprocess.DEVNULL) as other:
        here = near_values(counts, folder)
    if other.returncode:
        raise RuntimeError("the second process, which answers as another processor, failed")
    elsewhere = json.loads(told.read_text(encoding="utf-8"))
    out: dict[str, dict[str, list[Any]]] = {}
    for name, found in here.items():
        out[name] = {}
        for label, values in sorted(found.items()):
            near = near_of(counts[name][label], values, elsewhere[name][label])
            if len(near.left_out) < 0.5 * len(values):
                out[name][label] = [near.count, float(f"{near.total:.13g}"), near.left_out]
            else:
                say(f"{name}: {label} differs by processor, left out")
    return out


def _renewed(file: Path, order: Sequence[str], found: Mapping[str, Mapping[str, Any]]) -> None:
    known = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {}
    known.update(found)
    file.write_text(_written({name: known[name] for name in order if name in known}), encoding="utf-8")


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        if NEAR in sys.argv:
            told = Path(sys.argv[-1])
            counts = json.loads(told.read_text(encoding="utf-8"))
            told.write_text(json.dumps(near_values(counts, Path(folder))), encoding="utf-8")
            return 0
        wanted = sys.argv[1:] or names()
        # which function is called again in which take hangs on all of them
        near = _new_near(list(NEAR_TAKES), Path(folder)) if set(wanted) & set(NEAR_TAKES) else {}
        every = {name: figures_of(name, Path(folder)) for name in wanted}
    before = json.loads(FILE.read_text(encoding="utf-8")) if FILE.exists() else {}
    for name, figures in every.items():
        for line in differences(before.get(name, {}), figures)[:10]:
            say(f"{name}: {line}")
    ROUNDING_FILE.write_text(json.dumps({"rounding": rounding()}) + "\n", encoding="utf-8")
    _renewed(FILE, names(), every)
    _renewed(NEAR_FILE, NEAR_TAKES, near)
    return 0


if __name__ == "__main__":
    sys.exit(main())
