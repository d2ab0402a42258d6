"""Write the shipped takes and their truth: ``python -m listen.demo.fixtures FOLDER [NAME...]``."""

from __future__ import annotations

import sys
from pathlib import Path

from listen.demo import scenario, take_specs


def write_fixtures(folder: Path, names: list[str]) -> list[Path]:
    """Write the named takes (all, when none is named) into a folder that exists; return the WAV files."""
    written = []
    for index, (name, take) in enumerate(scenario.TAKES.items()):
        if not names or name in names:
            take_specs.make(take(), name, folder, seed=20 + index)
            written.append(folder / f"{name}.wav")
    return written


def main(arguments: list[str]) -> int:
    """Write the takes and name them; status 2 when the call is wrong."""
    if not arguments:
        sys.stderr.write("no folder given; call: python -m listen.demo.fixtures FOLDER [NAME...]\n")
        return 2
    folder, names = Path(arguments[0]), arguments[1:]
    if not folder.is_dir():
        sys.stderr.write(f"{folder} is not a folder; make it first or name another\n")
        return 2
    unknown = [name for name in names if name not in scenario.TAKES]
    if unknown:
        sys.stderr.write(f"no take is called {unknown[0]}; known: {', '.join(scenario.TAKES)}\n")
        return 2
    for path in write_fixtures(folder, names):
        sys.stdout.write(f"{path}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
