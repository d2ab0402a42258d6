"""The kernels on arm64, under emulation: see scripts/check-arm64.

Python and the system's libraries come from Debian's packages, unpacked and not installed; the rest from PyPI.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "build" / "arm64"
SYSTEM = FOLDER / "system"
SITE = FOLDER / "site"
TARGET = "aarch64-linux-gnu"
LIBRARIES = (
    "libc6 libgcc-s1 libstdc++6 zlib1g libexpat1 libssl3 libffi8 libbz2-1.0 liblzma5 libsqlite3-0 libuuid1 libncursesw6"
    " libtinfo6 libcrypt1 libreadline8 libdb5.3 libnsl2 libtirpc3"
)
PACKAGES = "numpy scipy soundfile joblib jinja2 matplotlib platformdirs threadpoolctl pytest hypothesis"
PYTHONS = ("3.13", "3.12", "3.11")
LEAST = 1e-6
"""Of the tone: what is kept in single precision is exact to some 1e-7 of it."""


def run(*command: str | Path, **settings: object) -> subprocess.CompletedProcess[str]:
    """Run a command; what it says goes on."""
    return subprocess.run([str(one) for one in command], check=True, text=True, **settings)  # type: ignore[call-overload,no-any-return]


def emulator() -> str:
    """The emulator of a process for arm64."""
    for name in ("qemu-aarch64-static", "qemu-aarch64"):
        if shutil.which(name):
            return name
    sys.exit("No emulator was found: install the package qemu-user-static and try again.")


def unpack_python() -> str:
    """Fetch Debian's Python for arm64 and its libraries; its version."""
    state, packages = FOLDER / "apt", FOLDER / "packages"
    shutil.rmtree(SYSTEM, ignore_errors=True)
    for folder in (state / "state/lists/partial", state / "cache/archives/partial", packages, SYSTEM):
        folder.mkdir(parents=True, exist_ok=True)
    status = state / "status"
    status.touch()
    options = [f"-oDir::State={state / 'state'}", f"-oDir::Cache={state / 'cache'}", f"-oDir::State::status={status}"]
    options += ["-oAPT::Architecture=arm64", "-oAPT::Architectures=arm64", "-oAPT::Sandbox::User=root"]
    run("apt-get", "-qq", *options, "update")
    known = run("apt-cache", *options, "pkgnames", capture_output=True).stdout.split()
    version = next(one for one in PYTHONS if f"python{one}-minimal" in known)
    wanted = [f"python{version}-minimal", *(f"libpython{version}-{part}" for part in ("minimal", "stdlib", "dev"))]
    wanted += [name if name in known else f"{name}t64" for name in LIBRARIES.split() if {name, f"{name}t64"} & {*known}]
    run("apt-get", "-qq", *options, "download", *wanted, cwd=packages)
    for package in packages.glob("*.deb"):
        run("dpkg-deb", "-x", package, SYSTEM)
    for name in ("lib", "bin"):
        # old packages have files in /lib that new ones have in /usr/lib
        old = SYSTEM / name
        if old.is_dir() and not old.is_symlink():
            shutil.copytree(old, SYSTEM / "usr" / name, dirs_exist_ok=True, symlinks=True)
            shutil.rmtree(old)
        if not old.exists():
            old.symlink_to(f"usr/{name}")
    return version


def install_packages(version: str) -> None:
    """Wheels for arm64 from PyPI, beside the project's own Python files, tests and fixtures."""
    platforms = [f"--platform=manylinux_2_{minor}_aarch64" for minor in (17, 28, 34)]
    pip = [sys.executable, "-m", "pip", "install", "-qq", "--disable-pip-version-check", "--upgrade"]
    run(
        *pip,
        "--target",
        SITE,
        "--only-binary=:all:",
        f"--python-version={version}",
        *platforms,
        "--platform=manylinux2014_aarch64",
        *PACKAGES.split(),
    )
    for name in ("listen", "tests", "fixtures"):
        shutil.rmtree(SITE / name, ignore_errors=True)
        shutil.copytree(ROOT / name, SITE / name, ignore=shutil.ignore_patterns("__pycache__", "kernels.*.so"))


def build_kernels(version: str) -> None:
    """Build the extension with the compiler from PyPI, for arm64."""
    tools = FOLDER / "tools"
    pip = [sys.executable, "-m", "pip", "install", "-qq", "--disable-pip-version-check", "--target", tools]
    if not tools.exists():
        run(*pip, "ziglang", "cmake", "ninja")
    commands = {}
    for tool, target in (("c++", ["-target", f"{TARGET}.2.31"]), ("ar", []), ("ranlib", [])):
        commands[tool] = FOLDER / f"zig-{tool}"
        words = " ".join([sys.executable, "-m", "ziglang", tool, *target])
        commands[tool].write_text(f'#!/bin/sh\nPYTHONPATH="{tools}" exec {words} "$@"\n', encoding="utf-8")
        commands[tool].chmod(0o755)
    headers = SYSTEM / "usr/include"
    build = FOLDER / "kernels"
    suffix = f".cpython-{version.replace('.', '')}-{TARGET}.so"
    options = {
        "CMAKE_BUILD_TYPE": "Release",
        "CMAKE_SYSTEM_NAME": "Linux",
        "CMAKE_SYSTEM_PROCESSOR": "aarch64",
        "CMAKE_CXX_COMPILER": commands["c++"],
        "CMAKE_AR": commands["ar"],
        "CMAKE_RANLIB": commands["ranlib"],
        "CMAKE_TRY_COMPILE_TARGET_TYPE": "STATIC_LIBRARY",
        "CMAKE_CXX_FLAGS": f"-isystem {headers}",
        "CMAKE_MAKE_PROGRAM": tools / "bin" / "ninja",
        "LISTEN_QUICK_BUILD": "ON",
        "Python_EXECUTABLE": sys.executable,
        "Python_INCLUDE_DIR": headers / f"python{version}",
        "NB_SUFFIX": suffix,
        "NB_SUFFIX_S": suffix,
    }
    environment = os.environ | {"PYTHONPATH": str(tools)}
    cmake = tools / "bin" / "cmake"
    defines = [f"-D{name}={value}" for name, value in options.items()]
    run(cmake, "-G", "Ninja", "-S", ROOT / "listen/native", "-B", build, *defines, env=environment)
    run(cmake, "--build", build, env=environment)
    (extension,) = build.glob("kernels*.so")
    shutil.copy(extension, SITE / "listen/native" / f"kernels{suffix}")


def emulated(version: str, *arguments: str | Path) -> None:
    """Run Python on arm64."""
    environment = {"PATH": "/usr/bin", "PYTHONPATH": str(SITE), "PYTHONHOME": str(SYSTEM / "usr"), "HOME": str(FOLDER)}
    environment |= {"OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1", "MPLCONFIGDIR": str(FOLDER)}
    python = SYSTEM / "usr/bin" / f"python{version}"
    run(emulator(), "-L", SYSTEM, python, *arguments, env=environment, cwd=SITE)


DUMP = """
import json, sys, numpy as np, listen
from listen.native import kernels
kept = {}
for path, wave in zip(sys.argv[2::2], sys.argv[3::2]):
    result = listen.check(path, wave=wave)
    frames = result.frames
    columns = {name: np.asarray(getattr(frames, name)).tolist() for name in %s}
    findings = [[one.kind, one.severity, one.half] for one in result.findings]
    kept[path.rpartition("/")[2]] = {"findings": findings, **columns}
kept["level"] = kernels.LEVEL
open(sys.argv[1], "w").write(json.dumps(kept))
"""
RELATIVE = ("f0_hz", "frame_s", "crest_positive", "crest_negative")
LEVELS = ("fundamental_dbfs", "level_dbfs", "noise_dbfs", "harmonics_dbc", "residual_dbc", "even_dbc", "odd_dbc")


def amplitude(name: str, values: np.ndarray) -> np.ndarray:
    """Levels as parts of the tone, or of full scale; all others as they are."""
    return 10 ** (values / 20) if name in LEVELS else values


def differences(ours: dict[str, object], theirs: dict[str, object]) -> dict[str, float]:
    """Difference of each column, of the tone or relative, that 99 of 100 rows keep within.

    In a few rows something lies just at a threshold: a harmonic that noise alone might give enters the cycle or not.
    """
    found = {}
    for name in (*RELATIVE, *LEVELS):
        a, b = (amplitude(name, np.array(one[name], dtype=float)) for one in (ours, theirs))
        both = np.isfinite(a) & np.isfinite(b)
        scale = np.abs(a[both]) if name in RELATIVE else 1.0
        off = np.abs(a[both] - b[both]) / scale
        found[name] = float(np.quantile(off, 0.99)) if off.size else 0.0
        if (np.isfinite(a) != np.isfinite(b)).any():
            found[name] = float("inf")
    return found


def compare(version: str) -> bool:
    """Check the fixtures on both processors; whether findings and rows are the same."""
    takes = []
    for path in sorted((ROOT / "fixtures").glob("*.wav")):
        wave = path.name.partition("-")[0]
        takes += [str(path), wave if wave in {"sine", "triangle", "sawtooth", "square"} else "any"]
    dump = DUMP % repr((*RELATIVE, *LEVELS))
    with tempfile.TemporaryDirectory() as folder:
        here, there = Path(folder) / "here.json", Path(folder) / "there.json"
        run(sys.executable, "-c", dump, here, *takes)
        emulated(version, "-c", dump, there, *takes)
        ours, theirs = (json.loads(path.read_text()) for path in (here, there))
    print(f"{ours.pop('level')} here, {theirs.pop('level')} on arm64")
    well = True
    for name, take in ours.items():
        off = differences(take, theirs[name])
        same = take["findings"] == theirs[name]["findings"] and max(off.values()) <= LEAST
        well &= same
        worst = max(off, key=lambda column: off[column])
        print(
            f"{name}: {len(take['findings'])} findings, rows within {off[worst]:.1e} ({worst}){'' if same else ': NO'}"
        )
    return well


def main() -> int:
    """Fetch, build, test, compare."""
    emulator()
    if shutil.which("apt-get") is None:
        sys.exit("This needs Debian's packages (apt-get); run it on Debian or Ubuntu.")
    FOLDER.mkdir(parents=True, exist_ok=True)
    version = unpack_python()
    install_packages(version)
    build_kernels(version)
    tests = [
        f"tests/track/test_{name}_kernels.py" for name in ("signal", "hum", "phase", "knot", "frame", "grid", "line")
    ]
    config = ["-c", str(ROOT / "pyproject.toml"), "--rootdir", str(SITE), "-o", f"pythonpath={SITE}"]
    emulated(version, "-m", "pytest", "-q", "-p", "no:cacheprovider", *config, *tests, "tests/track/test_fourier.py")
    return 0 if compare(version) else 1


if __name__ == "__main__":
    sys.exit(main())
