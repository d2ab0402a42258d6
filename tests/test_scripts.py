"""The scripts: POSIX shell, from any folder, and one line where no environment can be made."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import sysconfig
import tomllib
from pathlib import Path

import pytest

from tests.conftest import SPLIT, scope_of

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
    for name in ("demo", "test", "environment", "setup.py", "build_backend.py", "cpp_compiler.py"):
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


# A pip that notes what it is asked for. It fails where it waits in vain for as many at its side.
PIP = """
import json, os, pathlib, sys, time
notes = pathlib.Path(os.environ["NOTES"])
(notes / f"{time.time_ns()}-{os.getpid()}.json").write_text(json.dumps(sys.argv[1:]))
end = time.monotonic() + 20
while len(list(notes.glob("*.json"))) < int(os.environ.get("TOGETHER", 2)) and time.monotonic() < end:
    time.sleep(0.01)
if os.environ.get("FAILING", "no such argument") in sys.argv:
    sys.exit("no network")
sys.exit(time.monotonic() >= end)
"""


@pytest.fixture
def installing(copy, tmp_path):
    """Runs the set-up with that pip alone in its environment: how it ended, what each pip was asked."""
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(copy / ".venv")], check=True)
    base = {"base": str(copy / ".venv"), "platbase": str(copy / ".venv")}
    package = Path(sysconfig.get_path("purelib", "venv", base)) / "pip"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "__main__.py").write_text(PIP)
    shutil.copy(REPO / "scripts" / "requirements-lock.txt", copy / "scripts")
    notes = tmp_path / "notes"
    notes.mkdir()

    def run_it(what, **env):
        command = [sys.executable, str(copy / "scripts" / "setup.py"), what]
        env = {"PATH": os.defpath, "CXX": "c++", "NOTES": str(notes), **env}
        done = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
        return done, [json.loads(path.read_text()) for path in sorted(notes.glob("*.json"))]

    return run_it


@pytest.mark.parametrize(
    ("what", "env", "compiled"),
    [("demo", {}, False), ("demo", {"PYTHONDONTWRITEBYTECODE": "1"}, True), ("test", {}, True)],
)
def test_packages_are_fetched_while_the_kernels_are_built(installing, copy, what, env, compiled):
    done, asked = installing(what, **env)
    assert (done.returncode, len(asked)) == (0, 2), done.stderr
    (kernels,) = [one for one in asked if "--editable" in one]
    assert kernels[-3:] == ["--no-deps", "--editable", str(copy)]
    (packages,) = [one for one in asked if one != kernels]
    project = tomllib.loads((REPO / "pyproject.toml").read_text())["project"]
    wanted = project["dependencies"] + (project["optional-dependencies"]["dev"] if what == "test" else [])
    assert packages[-len(wanted) :] == wanted
    assert "--no-deps" not in packages
    assert ("--no-compile" not in packages) == compiled
    assert (copy / ".venv" / f"listen-{what}.stamp").exists()


def test_locked_packages_are_held_by_their_hashes(installing, copy):
    done, asked = installing("test", LISTEN_LOCKED="1")
    assert (done.returncode, len(asked)) == (0, 2), done.stderr
    (packages,) = [one for one in asked if "--editable" not in one]
    assert packages[-3:] == ["--require-hashes", "-r", str(copy / "scripts" / "requirements-lock.txt")]


@pytest.mark.parametrize("failing", ["--editable", "--no-compile"])
def test_what_cannot_be_installed_is_one_line_and_no_stamp(installing, copy, failing):
    done, asked = installing("demo", FAILING=failing)
    assert (done.returncode, len(asked)) == (2, 2)
    assert done.stderr.splitlines()[-1].startswith("The packages could not be installed; see the lines above")
    assert "Traceback" not in done.stderr
    assert not list((copy / ".venv").glob("*.stamp"))


def test_a_compiler_from_pypi_stays_in_the_environment(installing, copy, tmp_path):
    """It is there before the kernels are built: the build takes what is in the environment, and can be done again."""
    done, asked = installing("demo", CXX="", PATH=str(tmp_path), TOGETHER="1")
    assert (done.returncode, len(asked)) == (0, 3), done.stderr
    tools, *others = (" ".join(one) for one in asked)
    packages, kernels = sorted(others, key=lambda one: "--editable" in one)
    assert "numpy" in packages
    for one in ("nanobind", "scikit-build-core", "ziglang", "cmake", "ninja"):
        assert one in tools
    assert kernels.endswith(f"--no-build-isolation --no-deps --editable {copy}")


def test_long_tests_that_share_nothing_go_to_whichever_process_is_free():
    from xdist.scheduler import LoadFileScheduling

    assert callable(LoadFileScheduling._split_scope)
    for path in SPLIT:
        assert (REPO / path).is_file()
        assert scope_of(f"{path}::test_it[a]") != scope_of(f"{path}::test_it[b]")
    assert scope_of("tests/test_cli.py::test_it[a]") == scope_of("tests/test_cli.py::test_other") == "tests/test_cli.py"
