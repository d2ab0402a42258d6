"""The scripts: POSIX shell, from any folder, and one line where no environment can be made."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[1]
SCRIPTS = ["scripts/demo", "scripts/test", "scripts/sanitize", "scripts/check-arm64", "scripts/torture-logbook"]
SCRIPTS += ["scripts/bench", ".ci/run"]

pytestmark = pytest.mark.skipif(os.name == "nt", reason="POSIX shell")


def tools(folder, python=None):
    """Make a folder that holds a few tools and the given text as python3."""
    folder.mkdir()
    for name in ("sh", "dirname", "cat", "cksum", "rm", "mktemp", "printf"):
        found = shutil.which(name)
        if found:
            (folder / name).symlink_to(found)
    if python:
        (folder / "python3").write_text(python)
        (folder / "python3").chmod(0o755)
    return folder


@pytest.fixture
def copy(tmp_path):
    """The scripts alone, in a folder whose name has a space."""
    root = tmp_path / "some where"
    (root / "scripts").mkdir(parents=True)
    for name in ("demo", "test", "environment", "setup.py", "build_backend.py"):
        shutil.copy(REPO / "scripts" / name, root / "scripts" / name)
    shutil.copy(REPO / "pyproject.toml", root)
    (root / "listen" / "native").mkdir(parents=True)
    (root / "listen" / "native" / "one.cpp").write_text("// a source\n")
    return root


def stamp(root, what="demo"):
    """What a set-up leaves, in an environment that holds nothing."""
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(root / ".venv")], check=True)
    (root / "listen" / "native" / "kernels.test.so").write_text("")
    code = f"import setup; v = setup.version_of(setup.environment_python()); w = {what!r}\n"
    code += "(setup.VENV / f'listen-{w}.stamp').write_text(setup.packages_wanted(w, v))\n"
    code += "(setup.VENV / 'listen-kernels.stamp').write_text(setup.kernels_wanted(v))\n"
    subprocess.run([sys.executable, "-c", code], cwd=root / "scripts", check=True)


def run(script, path, **env):
    return subprocess.run(
        [shutil.which("sh"), str(script)],
        cwd="/",
        env={"PATH": str(path), **env},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("script", [*SCRIPTS, "scripts/environment"])
def test_every_script_is_plain_shell(script):
    shell = shutil.which("dash") or shutil.which("sh")
    subprocess.run([shell, "-n", str(REPO / script)], check=True)
    text = (REPO / script).read_text()
    assert "[[" not in text
    assert "function " not in text
    if script in SCRIPTS:
        assert text.startswith("#!/bin/sh\n")
        assert os.access(REPO / script, os.X_OK)


@pytest.mark.parametrize("script", ["demo", "test"])
def test_no_python_is_one_line(copy, tmp_path, script):
    done = run(copy / "scripts" / script, tools(tmp_path / "bin"))
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].startswith("No Python of 3.11 or newer was found; install one")
    assert not (copy / ".venv").exists()


def test_an_old_python_is_passed_over(copy, tmp_path):
    code = "import sys; sys.version_info = (3, 10, 9); $2"
    old = f'#!/bin/sh\n[ "$1" = -c ] && exec "{sys.executable}" -c "{code}"\nexit 9\n'
    done = run(copy / "scripts" / "demo", tools(tmp_path / "bin", old))
    assert done.returncode == 2
    assert "No Python of 3.11 or newer" in done.stderr


def test_no_way_to_make_an_environment_is_one_line_that_names_the_package(copy, tmp_path):
    broken = tmp_path / "broken"
    broken.mkdir()
    for module in ("ensurepip", "pip"):
        (broken / f"{module}.py").write_text("raise ImportError('not shipped')\n")
    python = f'#!/bin/sh\nPYTHONPATH="{broken}" exec "{sys.executable}" "$@"\n'
    done = run(copy / "scripts" / "demo", tools(tmp_path / "bin", python))
    assert done.returncode == 2
    assert "install the package python3-venv" in done.stderr.splitlines()[-1]
    assert not (copy / ".venv").exists()


def test_the_second_run_asks_no_network_and_minds_no_other_environment(copy, tmp_path):
    """An environment whose stamp fits is used as it is, whatever is active."""
    stamp(copy)
    path = tools(tmp_path / "bin", f'#!/bin/sh\nexec "{sys.executable}" "$@"\n')
    (copy / "listen" / "__init__.py").write_text("")
    (copy / "listen" / "cli.py").write_text("import sys; print(sys.argv[1:]); sys.exit(1)\n")
    done = run(copy / "scripts" / "demo", path, VIRTUAL_ENV="/another", PYTHONPATH="/another", PYTHONHOME="")
    assert (done.returncode, done.stderr) == (1, "")
    assert done.stdout == "['check', 'fixtures/sine-board-unequal-supplies.wav']\n"


def test_kernels_are_built_again_where_a_source_changed(copy, tmp_path):
    """Here the build fails, for the environment is empty: one line says so, and nothing stamps it as built."""
    stamp(copy)
    path = tools(tmp_path / "bin", f'#!/bin/sh\nexec "{sys.executable}" "$@"\n')
    (copy / "listen" / "native" / "one.cpp").write_text("// another source\n")
    before = (copy / ".venv" / "listen-kernels.stamp").read_text()
    done = run(copy / "scripts" / "demo", path, PIP_NO_INDEX="1")
    assert done.returncode == 2
    assert "Building the kernels (their sources changed)." in done.stderr
    assert done.stderr.splitlines()[-1].startswith("The kernels could not be built")
    assert (copy / ".venv" / "listen-kernels.stamp").read_text() == before


def test_set_up_says_which_environments_there_are():
    done = subprocess.run(
        [sys.executable, REPO / "scripts" / "setup.py", "nonsense"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stderr.startswith("Say which: ")
