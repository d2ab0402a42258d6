"""Makes .venv at the top of the clone, and installs or builds in it what is missing: ``python scripts/setup.py test``.

Run by scripts/demo and scripts/test; on Windows by hand, or ``py scripts\\setup.py demo``. The second time it takes a
moment and no network. The kernels are built again where their sources changed.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import importlib
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

from cpp_compiler import FROM_PYPI, has_compiler

ROOT = Path(__file__).resolve().parents[1]
VENV = ROOT / ".venv"
NATIVE = ROOT / "listen" / "native"
LOCK = ROOT / "scripts" / "requirements-lock.txt"
EXTRAS = {"demo": [], "test": ["dev"]}


class CannotSetUpError(Exception):
    """One line that says what is missing and how to fix it."""


def say(text: str) -> None:
    """Tell on standard error what goes on: standard output is the command's."""
    print(text, file=sys.stderr, flush=True)


def environment_python() -> Path:
    """Python of the environment."""
    return VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def version_of(python: Path) -> str:
    """Version of a Python, nothing where there is none that starts."""
    try:
        done = subprocess.run(
            [python, "-c", "import sys; print(*sys.version_info[:3])"], capture_output=True, text=True, check=False
        )
    except OSError:
        return ""
    return done.stdout.strip() if done.returncode == 0 else ""


def has(module: str) -> bool:
    """Whether this Python has a module that some systems ship apart."""
    try:
        importlib.import_module(module)
    except ImportError:
        return False
    return True


def make_environment() -> None:
    """Make an empty environment, with pip if this Python can, else for a pip outside of it."""
    bundled = has("ensurepip")
    if not bundled and not has("pip"):
        raise CannotSetUpError(
            f"{sys.executable} can make no virtual environment; install the package python3-venv (or python3-pip) "
            "and try again."
        )
    try:
        venv.create(VENV, clear=True, symlinks=os.name != "nt", with_pip=bundled)
    except (OSError, subprocess.CalledProcessError) as error:
        shutil.rmtree(VENV, ignore_errors=True)
        raise CannotSetUpError(
            f"{sys.executable} could make no virtual environment ({error}); install the package python3-venv (or "
            "python3-pip) and try again."
        ) from error


@functools.cache
def pip_command() -> list[str]:
    """The environment's pip, or where it has none one from outside that installs into it."""
    own = subprocess.run([environment_python(), "-c", "import pip"], capture_output=True, check=False)
    if own.returncode == 0:
        return [str(environment_python()), "-m", "pip"]
    return [sys.executable, "-m", "pip", "--python", str(VENV)]


def pip(*installs: list[str]) -> bool:
    """Run pip install with each of these lists of arguments, all at once. Whether all did what was asked."""
    quiet = ["-qq", "--disable-pip-version-check", "--no-input"]
    commands = [[*pip_command(), "install", *quiet, *arguments] for arguments in installs]
    with contextlib.ExitStack() as running:
        started = [running.enter_context(subprocess.Popen(command, stdout=sys.stderr)) for command in commands]
        try:
            return not any([one.wait() for one in started])
        except BaseException:
            for one in started:
                one.kill()
            raise


def locked() -> bool:
    """Whether the packages are to be those of the lock, with their hashes: LISTEN_LOCKED=1."""
    return os.environ.get("LISTEN_LOCKED", "") not in ("", "0")


def digest(*paths: Path) -> str:
    """Digest of some files' contents."""
    total = hashlib.sha256()
    for path in paths:
        total.update(path.name.encode() + hashlib.sha256(path.read_bytes()).digest())
    return total.hexdigest()


def packages_wanted(what: str, version: str) -> str:
    """What the environment is made from: another place, Python or list of packages makes it anew."""
    lists = [ROOT / "pyproject.toml", *([LOCK] if locked() else [])]
    return f"{what} {ROOT} {version} {digest(*lists)}"


def kernels_wanted(version: str) -> str:
    """What the extension is built from."""
    sources = sorted(path for path in NATIVE.iterdir() if path.suffix in {".cpp", ".hpp", ".txt"})
    return f"{version} {digest(*sources, ROOT / 'scripts' / 'build_backend.py', ROOT / 'scripts' / 'cpp_compiler.py')}"


def holds(stamp: Path, text: str) -> bool:
    """Whether a stamp says so."""
    return stamp.is_file() and stamp.read_text(encoding="utf-8") == text


def built() -> bool:
    """Whether there is an extension at all."""
    return any(NATIVE.glob("kernels.*.so")) or any(NATIVE.glob("kernels.*.pyd"))


def packages(what: str) -> list[str]:
    """What pip is to install besides the project itself."""
    import tomllib  # not in the Pythons that main refuses

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [project["optional-dependencies"][extra] for extra in EXTRAS[what]]
    return sum(extras, project["dependencies"])


def build_tools() -> list[str]:
    """What pip is to install for a build without a compiler of the machine's."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return [*project["build-system"]["requires"], *FROM_PYPI]


def build_kernels() -> None:
    """Build the extension again; offline where the environment holds what a build needs, as that of the tests does."""
    say("Building the kernels (their sources changed).")
    tools = subprocess.run([environment_python(), "-c", "import nanobind, scikit_build_core"], capture_output=True)
    at_hand = ["--no-build-isolation"] if tools.returncode == 0 else []
    if not pip([*at_hand, "--no-deps", "--editable", str(ROOT)]):
        raise CannotSetUpError("The kernels could not be built; see the lines above.")


def install(what: str) -> None:
    """Install the packages, and at the same time the project itself: a plain path, its extension built into it."""
    say(f"Installing packages into {VENV} and building the kernels (once, a minute or two).")
    # Python keeps the byte code of what it imports, and most of scipy's is never imported. Where it may not, pip makes
    # it all; and for the tests, because there a warning about a package's source is an error.
    byte_code = [] if what == "test" or sys.dont_write_bytecode else ["--no-compile"]
    wanted = [*byte_code, *(["--require-hashes", "-r", str(LOCK)] if locked() else packages(what))]
    project = ["--no-deps", "--editable", str(ROOT)]
    if has_compiler():
        done = pip(project, wanted)
    else:
        # The compiler from PyPI is 20,000 files, and builds its C++ library once for each place that it stands in: it
        # stays in the environment.
        tools, here = ["--no-compile", *build_tools()], ["--no-build-isolation", *project]
        # a lock may ask for another version of a tool, which must not be exchanged during the build
        done = pip(wanted) and pip(tools) and pip(here) if locked() else pip(tools) and pip(here, wanted)
    if not done:
        raise CannotSetUpError(
            "The packages could not be installed; see the lines above, check the network and try again. Where Python's "
            "headers are missing (Python.h), install the package python3-dev or python3-devel."
        )
    if sys.dont_write_bytecode:
        own = [environment_python(), "-m", "compileall", "-q", str(ROOT / "listen")]
        subprocess.run(own, capture_output=True, check=False)


def set_up(what: str) -> None:
    """Bring the environment to what ``demo`` or ``test`` needs."""
    for name in ("PYTHONHOME", "PYTHONPATH"):
        os.environ.pop(name, None)
    version = version_of(environment_python())
    if not version or tuple(map(int, version.split()))[:2] < (3, 11):
        say(f"Making {VENV} (once).")
        make_environment()
        version = version_of(environment_python())
    kernels = VENV / "listen-kernels.stamp"
    wanted = kernels_wanted(version)
    # what the tests need includes all that the demo needs
    if not any(holds(VENV / f"listen-{one}.stamp", packages_wanted(one, version)) for one in (what, "test")):
        install(what)
        (VENV / f"listen-{what}.stamp").write_text(packages_wanted(what, version), encoding="utf-8")
    elif not (holds(kernels, wanted) and built()):
        build_kernels()
    else:
        return
    kernels.write_text(wanted, encoding="utf-8")


def main() -> int:
    """Set up; status 2 and one line where that cannot be done."""
    what = sys.argv[1] if len(sys.argv) == 2 else ""
    if what not in EXTRAS:
        say("Say which: python scripts/setup.py demo, or python scripts/setup.py test.")
        return 2
    if sys.version_info < (3, 11):  # noqa: UP036 - run by whatever Python there is
        say("No Python of 3.11 or newer was found; install one (from python.org, say) and try again.")
        return 2
    try:
        set_up(what)
    except CannotSetUpError as error:
        say(str(error))
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
