"""Each number that a module of the account, of the findings or of the tracker names has its reason beside it."""

from __future__ import annotations

import ast
import re
import tokenize
from io import StringIO
from pathlib import Path

import pytest

from tests.architecture.test_architecture import REPO

ROOMS = ("account", "findings", "track")
CONSTANT = re.compile(r"_?[A-Z][A-Z0-9_]*")
TOGETHER = 4
"""So many constants in a row may share one reason: of more nobody can tell which it speaks of."""


def numbers_in(value: ast.AST) -> bool:
    """Whether an expression holds a number; what a lambda does is code, not a constant."""
    if isinstance(value, ast.Lambda):
        return False
    if isinstance(value, ast.Constant):
        return isinstance(value.value, int | float | complex) and not isinstance(value.value, bool)
    return any(numbers_in(child) for child in ast.iter_child_nodes(value))


def names_of(statement: ast.stmt) -> list[str]:
    """Constants that a statement assigns; none where it assigns anything else."""
    if isinstance(statement, ast.AnnAssign):
        targets: list[ast.expr] = [statement.target] if statement.value is not None else []
    else:
        targets = statement.targets if isinstance(statement, ast.Assign) else []
    each = [one for target in targets for one in (target.elts if isinstance(target, ast.Tuple) else [target])]
    names = [one.id for one in each if isinstance(one, ast.Name)]
    return names if len(names) == len(each) and all(CONSTANT.fullmatch(name) for name in names) else []


def is_text(statement: ast.stmt) -> bool:
    return (
        isinstance(statement, ast.Expr)
        and isinstance(statement.value, ast.Constant)
        and isinstance(statement.value.value, str)
        and bool(statement.value.value.strip())
    )


def commented_lines(source: str) -> set[int]:
    """Lines that hold a comment of words: not one that speaks to a tool."""
    tokens = tokenize.generate_tokens(StringIO(source).readline)
    comments = [token for token in tokens if token.type == tokenize.COMMENT]
    return {t.start[0] for t in comments if not re.match(r"#\s*(noqa|type:|fmt:|pragma)", t.string)}


def without_reason(source: str) -> list[str]:
    """Names of the module's numeric constants that have no reason: see the rule in the test below."""
    body, comments = ast.parse(source).body, commented_lines(source)
    runs: list[list[ast.stmt]] = [[]]
    missing: list[str] = []
    for statement in body:
        joins = bool(names_of(statement)) and (not runs[-1] or runs[-1][-1].end_lineno == statement.lineno - 1)
        if joins:
            runs[-1].append(statement)
            continue
        if is_text(statement) and runs[-1]:
            # it speaks of the few before it alone
            runs[-1] = runs[-1][: -min(TOGETHER, len(runs[-1]))]
        runs.append([statement] if names_of(statement) else [])
    for run in runs:
        if run and len(run) <= TOGETHER and run[0].lineno - 1 in comments:
            continue
        for statement in run:
            own = range(statement.lineno - 1, (statement.end_lineno or statement.lineno) + 1)
            value = getattr(statement, "value", None)
            if value is not None and numbers_in(value) and not comments.intersection(own):
                missing += names_of(statement)
    return missing


@pytest.mark.parametrize(
    ("source", "missing"),
    [
        ("A = 1\n", ["A"]),
        ("A, _B = 0.5, (1, 2)\n\n\ndef f(): ...\n", ["A", "_B"]),
        ("A: float = 2 * 3\n", ["A"]),
        ("A = array(b, scale=3)\n", ["A"]),
        ('A = 1\n"""Because."""\n', []),
        ("A = 1  # because\n", []),
        ("A = 1  # noqa: E501\n", ["A"]),
        ("# because\nA = 1\nB = 2\n", []),
        ("A = [\n    1,  # because\n]\n", []),
        ('A = 1\nB = 2\nC = 3\nD = 4\n"""Because of all."""\n', []),
        ('A = 1\nB = 2\nC = 3\nD = 4\nE = 5\n"""Because of some."""\n', ["A"]),
        ('A = 1\n\nB = 2\n"""Because of B."""\n', ["A"]),
        ('A = 1\nB = 2\n""" """\n', ["A", "B"]),
        ("A = 'text'\nb = 1\nC = True\nD = {'x': lambda v: 100 * v}\n", []),
    ],
)
def test_a_reason_is_known_where_it_stands(source, missing) -> None:
    assert without_reason(source) == missing


@pytest.mark.parametrize("room", ROOMS)
def test_each_number_has_its_reason_beside_it(room) -> None:
    """A docstring under the constant, or under a run of up to four; or a comment above it or in its lines."""
    found: dict[str, list[str]] = {}
    paths = sorted(Path(REPO / "listen" / room).rglob("*.py"))
    assert len(paths) > 10
    for path in paths:
        missing = without_reason(path.read_text(encoding="utf-8"))
        if missing:
            found[str(path.relative_to(REPO))] = missing
    assert found == {}
