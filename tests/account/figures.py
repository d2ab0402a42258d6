"""Figures of a few takes of every family, as they were read when ``figures.json`` was written.

``python -m tests.account.figures`` writes it anew, after a change that is meant to move them, and ``neighbours.json``;
with names of takes behind it (``wave:healthy/4``), what stands there of these alone.
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

import listen
from listen.report import check_document
from tests.account.neighbours import answers, differing, kept_calls
from tests.takes.classes import CLASSES
from tests.takes.files import ensure
from tests.takes.runs import say
from tests.takes.wave_takes import checked_in, faulty, healthy

FILE = Path(__file__).with_name("figures.json")
NEAR_FILE = Path(__file__).with_name("neighbours.json")
NEAR_TAKES = (
    *("pair:asymmetric-clipping/mains-hum", "wave:healthy/4", "pair:amplitude-hunting/level-drift", "wave:glitch/14"),
    *("single:capture-overload", "foreign:choir", "pair:even-order-distortion/slew-limiting", "single:capture-gap"),
)
"""Takes in whose check nearly every function of the two packages is called: these stand in ``neighbours.json``."""
PLAIN = {"NPY_DISABLE_CPU_FEATURES": "AVX2 FMA3 AVX512F AVX512CD AVX512_SKX", "OPENBLAS_CORETYPE": "Nehalem"}
"""Environment in which numpy and OpenBLAS add in another order, as on an older processor."""
NEAR = "--near"
"""Option of the second process, which prints the answers alone."""
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
WITHIN = 2e-3
"""Relative: processors and libraries differ by far less, a constant that matters moves something by more."""
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


def differences(was: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Places at which two sets of figures differ."""
    out = [f"{key}: {was.get(key)} -> {now.get(key)}" for key in sorted(was.keys() ^ now.keys())]
    for key in sorted(was.keys() & now.keys()):
        one, other = was[key], now[key]
        number = all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in (one, other))
        if not (math.isclose(one, other, rel_tol=WITHIN, abs_tol=1e-6) if number else one == other):
            out.append(f"{key}: {one} -> {other}")
    return out


def near_answers(wanted: list[str], folder: Path) -> dict[str, dict[str, float]]:
    """By take, what every function answers near what it is called with."""
    out = {}
    for name in wanted:
        with kept_calls() as calls:
            checked(name, folder)
        out[name] = {label: float(f"{value:.10g}") for label, value in answers(calls).items()}
    return out


def _written(by_take: Mapping[str, Mapping[str, Any]]) -> str:
    lines = [f" {json.dumps(name)}: {json.dumps(figures, separators=(',', ':'))}" for name, figures in by_take.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _known_near(wanted: list[str], folder: Path) -> dict[str, dict[str, float]]:
    """Answers that are the same on another processor: a fit that ends early on one of them is left out."""
    call = [sys.executable, "-W", "ignore", "-m", "tests.account.figures", NEAR, *wanted]
    with subprocess.Popen(call, env=os.environ | PLAIN, stdout=subprocess.PIPE) as other:
        out = near_answers(wanted, folder)
        plain = json.loads(other.communicate()[0])
    for name, found in out.items():
        for label in differing(plain[name], found):
            say(f"{name}: {label} differs by processor, left out")
            found.pop(label, None)
    return out


def _renewed(file: Path, order: Sequence[str], found: Mapping[str, Mapping[str, Any]]) -> None:
    known = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {}
    known.update(found)
    file.write_text(_written({name: known[name] for name in order if name in known}), encoding="utf-8")


def main() -> int:
    wanted = [argument for argument in sys.argv[1:] if argument != NEAR] or names()
    near = [name for name in NEAR_TAKES if name in wanted]
    with tempfile.TemporaryDirectory() as folder:
        if NEAR in sys.argv:
            sys.stdout.write(json.dumps(near_answers(near, Path(folder))))
            return 0
        by_function = _known_near(near, Path(folder)) if near else {}
        every = {name: figures_of(name, Path(folder)) for name in wanted}
    before = json.loads(FILE.read_text(encoding="utf-8")) if FILE.exists() else {}
    for name, figures in every.items():
        for line in differences(before.get(name, {}), figures)[:10]:
            say(f"{name}: {line}")
    _renewed(FILE, names(), every)
    _renewed(NEAR_FILE, NEAR_TAKES, by_function)
    return 0


if __name__ == "__main__":
    sys.exit(main())
