"""Changes a constant or a comparison in listen/account and listen/findings, and sees whether fast tests notice.

    scripts/mutants                60 mutants by the seed of every run, none left out by hand
    scripts/mutants --count 20 --seed 7

Each mutant is one change of one file, drawn by seed from all places that can be changed: a number half as large again
(0 becomes 1; numbers below 1e-6, which only guard a division, stay), or a comparison turned. The fast tests of the two
rooms run on a copy of the package, each mutant in a process of its own, and stop at the first that fails.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("account", "findings")
FIRST = (
    "tests/account/test_neighbours_stay.py",
    "tests/account/test_level_and_pitch.py",
    "tests/account/test_starts_and_stops.py",
    "tests/account/test_what_is_heard.py",
    "tests/account/test_lines.py",
    "tests/track/test_stage_kernels.py",
    "tests/findings/test_rules_hold.py",
    "tests/account/test_figures_stay.py",
)
"""Those that notice most."""
SLOW = (
    *("tests/account/test_accounts_add_up.py", "tests/findings/test_causes.py", "tests/findings/test_limits.py"),
    *("tests/findings/test_triangles.py", "tests/findings/test_recorder_limits.py"),
)
"""Tests of whole takes that take longest: all others of the two rooms end within two minutes in two processes."""
LONGEST_S = 900.0
"""A mutant that goes on for ever is noticed too; a busy machine is no mutant."""
GUARD = 1e-6
"""Smaller numbers keep a division or a logarithm from zero: no result hangs on their size."""
TURNED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
}


@dataclass(frozen=True)
class Mutant:
    """One change: a place in a file and what stands there instead."""

    path: Path
    line: int
    kind: str
    was: str
    becomes: str
    source: str


def _in_types(tree: ast.AST) -> set[int]:
    """Nodes within annotations and docstrings: changing them changes nothing."""
    out: set[int] = set()
    for node in ast.walk(tree):
        parts: list[ast.AST | None] = []
        if isinstance(node, ast.AnnAssign):
            parts.append(node.annotation)
        if isinstance(node, ast.FunctionDef):
            parts += [node.returns, *(a.annotation for a in [*node.args.args, *node.args.kwonlyargs])]
            parts += node.decorator_list
        if isinstance(node, ast.ClassDef):
            parts += node.decorator_list
        for part in parts:
            if part is not None:
                out |= {id(inner) for inner in ast.walk(part)}
    return out


def mutants_of(path: Path) -> list[Mutant]:
    """All mutants of a file."""
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    skip = _in_types(tree)
    out = []
    for node in ast.walk(tree):
        if id(node) in skip:
            continue
        changed = _changed(node)
        if changed is None:
            continue
        kind, new = changed
        was = ast.get_source_segment(text, node) or ""
        out.append(Mutant(path, node.lineno, kind, was, new, _replaced(text, node, new)))
    return out


def _changed(node: ast.AST) -> tuple[str, str] | None:
    if isinstance(node, ast.Constant) and isinstance(node.value, float) and (not node.value or abs(node.value) > GUARD):
        value = 1.5 * node.value if node.value else 1.0
        return "constant", f"({value!r})"
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in TURNED:
        turned = ast.Compare(left=node.left, ops=[TURNED[type(node.ops[0])]()], comparators=node.comparators)
        return "comparison", f"({ast.unparse(turned)})"
    return None


def _replaced(text: str, node: ast.AST, new: str) -> str:
    lines = text.splitlines(keepends=True)
    offset = [0]
    for line in lines:
        offset.append(offset[-1] + len(line.encode()))
    data = text.encode()
    start = offset[node.lineno - 1] + node.col_offset
    stop = offset[node.end_lineno - 1] + node.end_col_offset
    return (data[:start] + new.encode() + data[stop:]).decode()


def drawn(count: int, seed: int) -> list[Mutant]:
    """So many mutants, by seed."""
    every = [m for room in ROOMS for path in sorted((ROOT / "listen" / room).rglob("*.py")) for m in mutants_of(path)]
    random.Random(seed).shuffle(every)
    return every[:count]


def noticed(mutant: Mutant | None, folder: Path) -> tuple[bool, float]:
    """Whether the tests fail with the mutant in place, or with none; seconds."""
    place = Path(tempfile.mkdtemp(dir=folder))
    for name in ("tests", "fixtures", "scripts", "pyproject.toml", "README.md"):
        (place / name).symlink_to(ROOT / name)
    shutil.copytree(ROOT / "listen", place / "listen", ignore=shutil.ignore_patterns("__pycache__", "*.cpp"))
    if mutant is not None:
        (place / mutant.path.relative_to(ROOT)).write_text(mutant.source, encoding="utf-8")
    began = time.monotonic()
    done = _run_tests(place, folder)
    shutil.rmtree(place, ignore_errors=True)
    return done != 0, time.monotonic() - began


def _run_tests(place: Path, folder: Path) -> int:
    call = [sys.executable, "-m", "pytest", "-x", "-q", "--no-header", "-p", "no:cacheprovider"]
    call += [*FIRST, "tests/account", "tests/findings", *(f"--ignore={name}" for name in SLOW)]
    takes = folder / "takes"
    takes.mkdir(exist_ok=True)
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(place), "PYTHONDONTWRITEBYTECODE": "1"}
    environment |= {"LISTEN_KEPT_TAKES": str(takes)}
    try:
        return subprocess.run(
            call, cwd=place, env=environment, capture_output=True, timeout=LONGEST_S, check=False
        ).returncode
    except subprocess.TimeoutExpired:
        return 1


def main() -> int:
    parser = argparse.ArgumentParser(prog="scripts/mutants", description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--at-least", type=int, default=54, help="status 1 if fewer are noticed")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    began = time.monotonic()
    found = drawn(options.count, options.seed)
    seen = 0
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(options.workers) as pool:
        if noticed(None, Path(folder))[0]:
            print("the tests fail on the code as it is: mend that first")
            return 2
        for mutant, (one, seconds) in zip(found, pool.map(lambda m: noticed(m, Path(folder)), found), strict=True):
            seen += one
            where = mutant.path.relative_to(ROOT)
            print(
                f"{'noticed' if one else 'NOT noticed'} ({seconds:.0f} s): {where}:{mutant.line}: "
                f"{mutant.was} -> {mutant.becomes}",
                flush=True,
            )
    print(f"{seen} of {len(found)} mutants noticed, {time.monotonic() - began:.0f} s")
    return 0 if seen >= min(options.at_least, len(found)) else 1


if __name__ == "__main__":
    sys.exit(main())
