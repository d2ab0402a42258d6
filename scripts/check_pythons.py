"""Runs the short tests with several Pythons, and with the lowest versions of the packages that are allowed.

    scripts/check-pythons                  every Python from 3.11 on that is found, then the lowest versions
    scripts/check-pythons 3.13 lowest      these alone
    scripts/check-pythons 3.11 -- tests/track

Environments are made by uv (from PyPI), which also fetches a Python that is not found where the network permits; one
that is not to be had is named and skipped.
"""

from __future__ import annotations

import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PLACE = ROOT / "build" / "pythons"
PYTHONS = ("3.11", "3.12", "3.13", "3.14")
"""From requires-python to the newest for which every package has wheels; those of cibuildwheel in pyproject.toml."""
LOWEST = "lowest"
TEST_PACKAGES = ("pytest>=8.1", "hypothesis>=6.100", "jsonschema>=4.21", "librosa>=0.11")
SHORT = (
    "tests/test_bench.py",
    "tests/test_errors.py",
    "tests/test_units.py",
    "tests/test_sorting.py",
    "tests/test_fitting.py",
    "tests/test_bad_input.py",
    "tests/published/test_calibration_laws.py",
    "tests/findings/test_recorder_limits.py",
    "tests/calibration/test_chain.py",
    "tests/logbook/test_drift.py",
    "tests/report/test_files.py",
    "tests/fuzz/test_past_failures.py",
)
"""Every room once, without the packages that only the generators of takes need."""


def say(text: str) -> None:
    """Print a line."""
    print(text, flush=True)


def uv() -> str:
    """Return the command, installed beside the environments if it is not there."""
    tool = PLACE / "uv"
    command = tool / ("Scripts/uv.exe" if os.name == "nt" else "bin/uv")
    if not command.exists():
        venv.create(tool, with_pip=False, symlinks=os.name != "nt")
        subprocess.run([sys.executable, "-m", "pip", "--python", str(tool), "install", "-qq", "uv>=0.5"], check=True)
    return str(command)


def found(command: str, version: str) -> str | None:
    """Return a Python of that version, fetched where it is not here; None where it is not to be had."""
    for tries in (["python", "find", version], ["python", "install", version], ["python", "find", version]):
        done = subprocess.run([command, *tries], capture_output=True, text=True, check=False)
        if tries[1] == "find" and done.returncode == 0:
            return done.stdout.strip()
    return None


def tested(command: str, python: str, name: str, tests: list[str]) -> bool:
    """Make an environment, install, and run the tests in it."""
    place = PLACE / name
    inside = str(place / ("Scripts/python.exe" if os.name == "nt" else "bin/python"))
    lowest = ["--resolution", "lowest-direct"] if name == LOWEST else []
    steps = (
        [command, "venv", "-q", "--clear", "--python", python, str(place)],
        [command, "pip", "install", "-q", "--python", inside, *lowest, "-r", "pyproject.toml", *TEST_PACKAGES],
        [command, "pip", "install", "-q", "--python", inside, "--no-deps", "--editable", "."],
        [inside, "-m", "pytest", "-q", "-p", "no:cacheprovider", *tests],
    )
    return all(subprocess.run(step, cwd=ROOT, check=False).returncode == 0 for step in steps)


def main() -> int:
    """Run; 0 where all that ran passed and something ran."""
    arguments = sys.argv[1:]
    if {"-h", "--help"} & set(arguments):
        say(__doc__)
        return 0
    names, tests = arguments, list(SHORT)
    if "--" in arguments:
        at = arguments.index("--")
        names, tests = arguments[:at], arguments[at + 1 :]
    unknown = [name for name in names if name not in (*PYTHONS, LOWEST)]
    if unknown:
        say(f"{unknown[0]} is not known; known: {', '.join((*PYTHONS, LOWEST))}")
        return 2
    PLACE.mkdir(parents=True, exist_ok=True)
    command, results = uv(), {}
    for name in names or [*PYTHONS, LOWEST]:
        python = found(command, PYTHONS[0] if name == LOWEST else name)
        if python is None:
            say(f"{name}: no such Python here, and none could be fetched")
            continue
        results[name] = tested(command, python, name, tests)
        say(f"{name}: {'passed' if results[name] else 'failed'}")
    say(", ".join(f"{name} {'passed' if good else 'failed'}" for name, good in results.items()) or "nothing ran")
    return 0 if results and all(results.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
