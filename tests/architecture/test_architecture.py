"""Who may import whom, what starts quickly, and where things lie."""

from __future__ import annotations

import ast
import importlib.util
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

REPO = Path(__file__).resolve().parents[2]
SOURCES = sorted((REPO / "listen").rglob("*.py"))
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "listen", "tests", "fixtures", "scripts"}
LAYERS = [
    "errors", "streams", "sorting", "fitting", "native", "units", "bench", "capture", "track", "account", "findings",
    "circuit", "calibration", "logbook", "report", "api", "watch", "cli",
]  # fmt: skip


def tracked() -> list[Path]:
    """Files under version control, or a skip where the repo is only a copy, or git is not installed."""
    if shutil.which("git") is None:
        pytest.skip("git is not installed")
    done = subprocess.run(["git", "ls-files", "-z"], cwd=REPO, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip("not a git repository")
    return [Path(name) for name in done.stdout.split("\0") if name]


def imported(path: Path) -> set[str]:
    """All modules that a file names in its imports."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return names


# One way only


def test_the_rooms_import_one_way_only():
    assert lint_imports(config_filename=str(REPO / "pyproject.toml"), no_cache=True) == EXIT_STATUS_SUCCESS


def test_the_contract_is_the_whole_order():
    contracts = tomllib.loads((REPO / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    layers = next(c for c in contracts if c["type"] == "layers")
    assert [layer.strip("()") for layer in reversed(layers["layers"])] == LAYERS
    assert layers["exhaustive"] is True


def test_a_backward_import_is_refused(tmp_path):
    """The linter is alive: a copy of the house with one wrong import fails."""
    (tmp_path / "listen").mkdir()
    for room in ("errors", "units", "bench", "capture"):
        (tmp_path / "listen" / f"{room}.py").write_text("" if room != "units" else "import listen.capture\n")
    (tmp_path / "listen" / "__init__.py").write_text("")
    text = (REPO / "pyproject.toml").read_text()
    (tmp_path / "pyproject.toml").write_text(text[text.index("[tool.importlinter]") :])
    code = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_cache=True))"
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "listen.units is not allowed to import listen.capture" in done.stdout


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(REPO)))
def test_no_room_imports_the_face(path):
    """The face sees everything; a room that imports it sees everything too. The shell stands above all rooms."""
    if path == REPO / "listen" / "__init__.py" or path.parent.name == "cli":
        return
    assert "listen" not in {name for name in imported(path) if not name.startswith("listen.")}


def test_simulated_builds_know_only_units():
    for path in (REPO / "listen" / "demo").rglob("*.py"):
        ours = {name for name in imported(path) if name.split(".")[0] == "listen"}
        allowed = {n for n in ours if n.startswith(("listen.units", "listen.demo"))}
        assert ours == allowed, f"{path.name} imports {sorted(ours - allowed)}"


def test_no_room_leans_on_simulated_builds():
    users = {p for p in SOURCES if any(name.startswith("listen.demo") for name in imported(p))}
    assert {p.relative_to(REPO / "listen").parts[0] for p in users} <= {"demo"}


def test_only_the_reader_calls_the_file_library():
    users = {p.relative_to(REPO / "listen") for p in SOURCES if "soundfile" in imported(p)}
    users = {p for p in users if p.parts[0] not in ("demo",)}
    assert users == {Path("capture/reader.py")}


def test_no_compiler_is_needed_where_the_tool_runs():
    users = {p.relative_to(REPO / "listen").parts[0] for p in SOURCES if {"numba", "llvmlite"} & imported(p)}
    assert users <= {"demo"}


def test_few_call_the_kernels():
    """The tracker, and one file of the account."""
    users = {p.relative_to(REPO / "listen") for p in SOURCES if "listen.native" in imported(p)}
    assert {p for p in users if p.parts[0] not in ("native", "track")} == {Path("account/curve/model.py")}
    assert any(p.parts[0] == "track" for p in users)


# Quick to start


@pytest.mark.skipif(importlib.util.find_spec("listen.cli") is None, reason="no command line yet")
def test_help_imports_nothing_heavy():
    code = (
        "import sys\n"
        "from listen.cli import main\n"
        "try:\n    status = main(['--help'])\n"
        "except SystemExit as end:\n    status = end.code\n"
        "heavy = {'numba', 'scipy', 'librosa', 'soundfile', 'numpy', 'rich', 'pydantic'} & set(sys.modules)\n"
        "sys.exit(f'imported {sorted(heavy)}, status {status}' if heavy or status else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=REPO, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


# Where things lie


def test_the_top_level_holds_only_what_belongs_there():
    found = {path.parts[0] for path in tracked()}
    assert {name for name in found if not name.startswith(".")} <= TOP_LEVEL


def test_no_file_is_too_long():
    long = {
        str(path): n
        for path in tracked()
        if path.suffix == ".py" and (REPO / path).is_file()
        if (n := len((REPO / path).read_text(encoding="utf-8").splitlines())) > 450
    }
    assert long == {}


def test_no_function_is_too_long():
    long = [
        f"{path.relative_to(REPO)}: {node.name} is {node.end_lineno - node.lineno + 1} lines"
        for path in SOURCES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and code_lines(node) > 70
    ]
    assert long == []


def code_lines(node: ast.FunctionDef) -> int:
    """Lines of a function without its docstring."""
    assert node.end_lineno is not None
    n = node.end_lineno - node.lineno + 1
    first = node.body[0]
    if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant) and isinstance(first.value.value, str):
        assert first.end_lineno is not None
        n -= first.end_lineno - first.lineno + 1
    return n


def test_no_path_of_one_machine():
    machine = re.compile(r"(?<![\w.])/(work|root|farm|home)/")
    found = []
    for path in tracked():
        file = REPO / path
        if (
            path.suffix in {".py", ".md", ".toml", ".json", ".csv", ""}
            and file.is_file()
            and path.name != Path(__file__).name
        ):
            text = file.read_text(encoding="utf-8")
            found += [f"{path}:{i}" for i, line in enumerate(text.splitlines(), 1) if machine.search(line)]
    assert found == []


def test_fixtures_are_small():
    sizes = {p: (REPO / p).stat().st_size for p in tracked() if p.parts[0] == "fixtures" and (REPO / p).is_file()}
    assert sum(sizes.values()) < 5_000_000


def test_the_version_is_written_once():
    version = tomllib.loads((REPO / "pyproject.toml").read_text())["project"]["version"]
    assert [p for p in SOURCES if f'"{version}"' in p.read_text(encoding="utf-8")] == []
