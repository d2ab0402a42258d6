"""Figures of a few takes of every family, as they were read when ``figures.json`` was written.

``python -m tests.account.figures`` writes it anew, after a change that is meant to move them.
"""

from __future__ import annotations

import json
import math
import os
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import listen
from listen.report import check_document
from tests.takes.classes import CLASSES
from tests.takes.files import ensure
from tests.takes.runs import say
from tests.takes.wave_takes import checked_in, faulty, healthy

FILE = Path(__file__).with_name("figures.json")
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
        *("slew-limiting/1.5", "slow-start/0.6", "subharmonic/0.6"),
    ),
    "circuit": ("vdp-hard", "ladder", "wien-bad-spot", "jfet-hunts", "lamp-bounces", "wien-rail-one"),
    "foreign": ("choir", "song", "two-boards"),
    "wrong": ("channel", "sine-as-triangle"),
}
"""By class of take: variants, or all."""
WAVES = {"healthy": (4, 5, 6, 7), "cut": (9, 12), "bow": (10, 13), "glitch": (14,)}
"""Triangles, sawtooths, squares and pulses: four in order by number, and some with each fault."""
KEPT_TAKES = "LISTEN_KEPT_TAKES"
"""Environment variable: a folder that keeps the takes, for runs that repeat the same tests."""
WITHIN = 2e-3
"""Relative: processors and libraries differ by far less, a constant that matters moves something by more."""
LEFT_OUT = {"sentence", "likely_causes", "next_checks"}
"""Words, which tests of their own hold."""


def names() -> list[str]:
    """Class and variant of each take."""
    out = []
    for class_name, variants in TAKES.items():
        known = CLASSES[class_name].variants()
        out += [f"{class_name}:{v}" for v in (known if variants == ("*",) else variants)]
    return out + [f"wave:{what}/{seed}" for what, seeds in WAVES.items() for seed in seeds]


def _checked(name: str, folder: Path) -> listen.CheckResult:
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
    """What is read of one take: its verdict, findings and parts, numbers to six digits."""
    document = check_document(_checked(name, folder))
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


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        every = {name: figures_of(name, Path(folder)) for name in names()}
    before = json.loads(FILE.read_text(encoding="utf-8")) if FILE.exists() else {}
    for name, figures in every.items():
        for line in differences(before.get(name, {}), figures)[:10]:
            say(f"{name}: {line}")
    lines = [f" {json.dumps(name)}: {json.dumps(figures, separators=(',', ':'))}" for name, figures in every.items()]
    FILE.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
