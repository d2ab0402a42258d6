"""How exact, how quick, how small: all sections of the benchmark in one run, losses too. See ``--help``."""

from __future__ import annotations

import argparse
import importlib.metadata
import json
import os
import platform
import re
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bench_harmonics
import bench_many
import bench_memory
import bench_pitch
import bench_start
from bench_takes import Memory, sweep
from bench_words import wrapped

__all__ = ["Memory", "main", "sweep"]

SECTIONS = {
    "pitch": ("Pitch, beside general-purpose libraries", bench_pitch),
    "harmonics": ("Harmonics of clipped takes", bench_harmonics),
    "start": ("Cold start", bench_start),
    "memory": ("Peak memory of listen check", bench_memory),
    "many": ("Many takes in one run", bench_many),
}
PACKAGES = ("numpy", "scipy", "librosa", "soundfile", "joblib")
LONGEST_S = 8 * 3600.0


def seconds(text: str) -> float:
    """A length such as 90, 90s, 10min, 8h."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?) *(s|min|h)?", text.strip())
    value = float(match[1]) * {None: 1, "s": 1, "min": 60, "h": 3600}[match[2]] if match else 0.0
    if not 10.0 <= value <= LONGEST_S:
        raise argparse.ArgumentTypeError(f"{text!r} is no length from 10s to 8h, such as 90s, 10min, 2h")
    return value


def sections(text: str) -> list[str]:
    """Names of sections, with commas between."""
    names = text.split(",")
    unknown = [name for name in names if name not in SECTIONS]
    if unknown:
        raise argparse.ArgumentTypeError(f"no section is called {unknown[0]!r}; known: {', '.join(SECTIONS)}")
    return names


def parser() -> argparse.ArgumentParser:
    """The options."""
    found = argparse.ArgumentParser(prog="scripts/bench", description=__doc__)
    found.add_argument(
        "--quick", action="store_true", help="fewer runs, shorter takes, no slow peers: figures to work with"
    )
    found.add_argument("--all", action="store_true", help="the slowest peers too: half an hour more")
    found.add_argument("--only", type=sections, metavar="SECTION,...", help=f"of {', '.join(SECTIONS)}")
    found.add_argument(
        "--long", type=seconds, metavar="LENGTH", help="longest take for memory, up to 8h (default 10min)"
    )
    found.add_argument("--readme", action="store_true", help="print the tables as the README has them")
    found.add_argument("--json", metavar="FILE", help="keep all figures")
    return found


def machine() -> dict[str, Any]:
    """What the figures depend on."""
    return {
        "cores": len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count(),
        "load": round(os.getloadavg()[0], 2) if hasattr(os, "getloadavg") else None,
        "processor": processor(),
        "python": platform.python_version(),
        "packages": {name: importlib.metadata.version(name) for name in PACKAGES},
        "listen": importlib.metadata.version("listen"),
        "blas_threads": os.environ.get("OPENBLAS_NUM_THREADS"),
    }


def processor() -> str:
    """Its name, where the system tells."""
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
    except OSError:
        return platform.processor() or platform.machine()
    match = re.search(r"^model name\s*:\s*(.+)$", text, re.MULTILINE)
    return match[1].strip() if match else platform.machine()


def measure(options: argparse.Namespace, folder: Path, say: Callable[[str], None]) -> dict[str, Any]:
    """Run the sections that were asked for."""
    quick = options.quick
    most_cost = 2 if options.all else 0 if quick else 1
    longest_s = options.long or (60.0 if quick else 600.0)
    runs: dict[str, Callable[[], dict[str, Any]]] = {
        "pitch": lambda: bench_pitch.measure(most_cost, 3 if quick else 5, say),
        "harmonics": lambda: bench_harmonics.measure(say),
        "start": lambda: bench_start.measure(3 if quick else 9, folder, say),
        "memory": lambda: bench_memory.measure(longest_s, folder, say),
        "many": lambda: bench_many.measure(40 if quick else 200, 1 if quick else 3, folder, say),
    }
    return {name: run() for name, run in runs.items() if not options.only or name in options.only}


def heading(about: dict[str, Any]) -> list[str]:
    """Versions and cores."""
    packages = ", ".join(f"{name} {version}" for name, version in about["packages"].items())
    text = (
        f"listen {about['listen']}; {about['cores']} cores, {about['processor']}; load at the start {about['load']}; "
        f"Python {about['python']}, {packages}; "
        f"threads of the linear algebra library: {about['blas_threads'] or 'its own choice'}"
    )
    return wrapped(text)


def losing(found: dict[str, Any]) -> list[str]:
    """All that others do better, plainly; a line that says so where there is nothing."""
    lines = []
    for name, (title, section) in SECTIONS.items():
        if name in found and hasattr(section, "lost"):
            lines += [f"{title.split(',')[0]}: {line}" for line in section.lost(found[name])]
    return lines or ["none in the sections that were run"]


def page(about: dict[str, Any], found: dict[str, Any]) -> str:
    """All that is printed."""
    lines = heading(about)
    for name, (title, section) in SECTIONS.items():
        if name in found:
            lines += ["", title, *section.lines(found[name])]
    lines += ["", "Where listen loses", *[row for line in losing(found) for row in wrapped(line, "- ")]]
    return "\n".join(lines)


def readme_block(about: dict[str, Any], found: dict[str, Any]) -> str:
    """The tables as Markdown, with how they were made."""
    lines = [f"`scripts/bench` on {about['cores']} cores ({about['processor']}), Python {about['python']}:"]
    for name, (_, section) in SECTIONS.items():
        if name in found:
            lines += ["", *section.readme(found[name])]
    lines += ["", "Where it loses:", "", *[f"- {line}" for line in losing(found)]]
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    """Measure, print; status 2 where the call is wrong or a file cannot be written."""
    options = parser().parse_args(arguments)
    about = machine()
    if options.json:
        try:
            Path(options.json).touch()
        except OSError as error:
            print(f"{options.json} cannot be written ({error.strerror}); name another file", file=sys.stderr)
            return 2
    with tempfile.TemporaryDirectory(prefix="listen-bench-") as folder:
        found = measure(options, Path(folder), lambda text: print(text, file=sys.stderr, flush=True))
    if options.json:
        Path(options.json).write_text(
            json.dumps({"machine": about, "sections": found}, indent=1) + "\n", encoding="utf-8"
        )
    print(readme_block(about, found) if options.readme else page(about, found))
    return 0


if __name__ == "__main__":
    sys.exit(main())
