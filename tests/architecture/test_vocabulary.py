"""Names in the package are the field's words: no identifier holds a word that was given up, no name is two classes'.

A word stands here with the word that took its place. What may keep such a word is listed with its reason.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "listen"

RETIRED = {
    "beside": "neighbour, context; find_bench_file",
    "between": "interharmonic; gap, interpolated",
    "crew": "workers",
    "draft": "candidate (a finding), spec (a simulated take)",
    "drafts": "candidates, take_specs",
    "fate": "status",
    "fates": "statuses",
    "fold": "phase histogram",
    "folded": "histogram, mean_cycle",
    "folds": "summed",
    "given": "input: voltages, values",
    "keeping": "caching, logbook options",
    "kept": "cached; else what was chosen",
    "left": "residual, remaining",
    "looking": "queries",
    "lost": "dropout, lost_samples",
    "made": "what it is: calibration, staircase",
    "mend": "remedy, fix",
    "reading": "measured value, estimate",
    "readings": "measured values",
    "saying": "text",
    "storing": "writes",
    "stretch": "segment",
    "stretches": "segments",
    "told": "reported, detected",
    "unlikeness": "normalised difference",
}
BARE = {"over": "over_limit, excess"}
"""Plain in a compound (slope_over_sine is a ratio), and says nothing alone."""

ALLOWED = {
    # keys of documents, streams and files, which programs elsewhere read
    "fate": "key of listen.compare/1",
    "mend": "key of listen.check/1, and an error's remedy under its former name",
    "between_harmonics": "key of listen.check/1",
    "turns_left": "key of listen.calibration/1",
    "lost_s": "key of listen.check/1 and listen.watch/1",
    "half_lost_percent": "number of a part in listen.check/1",
    "halves_lost_percent": "number of a part in listen.check/1",
    "residual_fold": "column of Frames, which the package exports",
    # words of the trade, and plain English
    "as_left": "as found, as left: the calibration trade's words for before and after",
    "left_out": "excluded",
    "lost_samples": "samples that a recorder dropped",
    "lost_runs": "runs of such samples",
    "lost_time": "event of a stream whose samples never came",
    "cents_between": "the interval between two pitches",
}
"""Phrases that an identifier may hold, each with its reason."""
FILES_THAT_READ = {"bench/reading.py", "report/reading.py", "watch/readings.py"}
"""Two are named after what they do, the third holds the readings of `watch`."""
WATCH = "watch/"
"""What the screen shows while a trimmer is turned is a reading, as of any instrument; a guide has values as left."""


def words_of(name: str) -> list[str]:
    """Words of an identifier: parted at underscores and capitals, in small letters."""
    return [word.lower() for word in re.split(r"_|(?<=[a-z0-9])(?=[A-Z])", name) if word]


def identifiers(tree: ast.AST) -> Iterator[tuple[str, int]]:
    """Names that a module binds itself, each with its line: what libraries are called is theirs."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id, node.lineno
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            yield node.attr, node.lineno
        elif isinstance(node, ast.arg):
            yield node.arg, node.lineno
        elif isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            yield node.name, node.lineno
        elif isinstance(node, ast.alias) and node.asname:
            yield node.asname, node.lineno


def faults_of(source: str, place: str) -> list[str]:
    """Lines of a module whose identifiers hold a retired word, each with the word to use."""
    names = list(identifiers(ast.parse(source)))
    watch = place.startswith(WATCH)
    bound = {name.lower() for name, _ in names}
    faults = []
    for name, line in names:
        words = without_allowed(words_of(name))
        if "left" in words and (watch or name.lower().replace("left", "right") in bound):
            continue  # a side: the right one is named too
        for word in words:
            instead = RETIRED.get(word) or (BARE.get(word) if words == [word] else None)
            if instead is not None and not (watch and word in ("reading", "readings")):
                faults.append(f"{place}:{line}: {name}: {word} -> {instead}")
    return faults


def without_allowed(words: list[str]) -> list[str]:
    """Words of an identifier that no allowed phrase covers."""
    text = f"_{'_'.join(words)}_"
    for phrase in ALLOWED:
        text = text.replace(f"_{phrase}_", "_")
    return [word for word in text.split("_") if word]


def modules() -> list[Path]:
    return sorted(path for path in PACKAGE.rglob("*.py") if "__pycache__" not in path.parts)


def test_no_identifier_holds_a_retired_word() -> None:
    faults = []
    for path in modules():
        place = path.relative_to(PACKAGE).as_posix()
        faults += faults_of(path.read_text("utf-8"), place)
        words = [] if place in FILES_THAT_READ else words_of(path.stem)
        faults += [f"{place}: {word} -> {RETIRED[word]}" for word in without_allowed(words) if word in RETIRED]
    assert faults == []


@pytest.mark.parametrize(
    ("source", "faults"),
    [
        ("left = total - explained", ["left -> residual, remaining"]),
        ("left, right = bounds", []),
        ("def f(given: int) -> int:\n    return given", ["given -> input: voltages, values"]),
        ("class KeptRows: ...", ["kept -> cached; else what was chosen"]),
        ("self.told = 1", ["told -> reported, detected"]),
        ("find_lost_samples = n_lost = 1", ["lost -> dropout, lost_samples"]),
        ("slope_over_sine = over = 1", ["over -> over_limit, excess"]),
        ("for lost_s in sorted(kept): pass", []),
    ],
)
def test_a_retired_word_is_found_where_a_name_is_bound(source: str, faults: list[str]) -> None:
    assert [fault.split(": ", 2)[2] for fault in faults_of(source, "track/new.py")] == faults


def test_every_allowed_phrase_is_in_use() -> None:
    names = {name for path in modules() for name, _ in identifiers(ast.parse(path.read_text("utf-8")))}
    held = {f"_{'_'.join(words_of(name))}_" for name in names}
    assert [phrase for phrase in ALLOWED if not any(f"_{phrase}_" in text for text in held)] == []


NAMED_TWICE = {
    "LostSamples": "a part of the account, and what a finding says of it",
    "Measured": "numbers of a finding; rows that a simulated take would measure",
    "OtherChannel": "a part of the account, and what a finding says of it",
    "SampleSource": "what a room needs of a capture, as a protocol in each",
    "Start": "of the tone; of a stream",
}


def test_a_class_has_a_name_of_its_own() -> None:
    places: dict[str, list[str]] = {}
    for path in modules():
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places.setdefault(node.name, []).append(path.relative_to(PACKAGE).as_posix())
    assert {name: found for name, found in places.items() if len(found) > 1 and name not in NAMED_TWICE} == {}
    assert [name for name in NAMED_TWICE if len(places.get(name, [])) < 2] == []


ALIAS = re.compile(r"[A-Z][a-z]\w*")
PRECISION_OF_THE_MODULE = ("Floats", "Complexes")
"""Arrays of the numbers that a module keeps: of one precision, or of any."""


def test_a_type_alias_has_one_meaning() -> None:
    """Modules that name the same type alike may; another type, or a class, has another name."""
    meanings: dict[str, set[str]] = {}
    for path in modules():
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.ClassDef):
                meanings.setdefault(node.name, set()).add(f"class {node.name}")
            elif isinstance(node, ast.Assign) and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name):
                if ALIAS.fullmatch(node.targets[0].id):
                    meanings.setdefault(node.targets[0].id, set()).add(ast.unparse(node.value))
    assert len(meanings) > 200
    assert {n: m for n, m in meanings.items() if len(m) > 1 and n not in PRECISION_OF_THE_MODULE} == {}
    assert [name for name in PRECISION_OF_THE_MODULE if len(meanings[name]) < 2] == []
