"""The kernels built to stop at the first place outside of an array, and what runs on them: see scripts/sanitize.

The extension goes beside a copy of the package's Python files in build/sanitize, which stands first on the path.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "build" / "sanitize"
SITE = FOLDER / "site"
FEW_CALLS = 10_000
SANITIZERS = ("address", "undefined", "float-cast-overflow")


def runtime() -> list[str]:
    """The sanitizers' libraries of the machine's compiler, which must be loaded first; none where it has none."""
    compiler = os.environ.get("CXX") or next((one for one in ("g++", "c++", "clang++") if shutil.which(one)), "")
    found = []
    for name in ("libasan.so", "libubsan.so", "libstdc++.so.6") if compiler else ():
        done = subprocess.run([compiler, f"-print-file-name={name}"], capture_output=True, text=True, check=False)
        path = Path(done.stdout.strip())
        if done.returncode or not path.is_absolute() or not path.exists():
            return []
        found.append(str(path.resolve()))
    return found


def build(sanitizers: str, plain: bool) -> None:
    """Build the extension, every index checked, and put it beside a copy of the package.

    ``plain``: once, for any processor of this kind, which takes the compiler a third of the time.
    """
    wheel = FOLDER / (("sanitized" if sanitizers else "checked") + ("-plain" if plain else ""))
    settings = [
        "--config-settings=build-dir=" + str(wheel),
        "--config-settings=cmake.define.LISTEN_CHECKED=ON",
        f"--config-settings=cmake.define.LISTEN_SANITIZE={sanitizers}",
        f"--config-settings=cmake.define.LISTEN_PLAIN={'ON' if plain else 'OFF'}",
        "--config-settings=cmake.build-type=RelWithDebInfo",
        "--config-settings=install.strip=false",
    ]
    command = [sys.executable, "-m", "pip", "wheel", "-qq", "--no-deps", "--disable-pip-version-check", *settings]
    for isolation in (["--no-build-isolation"], []):
        if subprocess.run([*command, *isolation, "-w", str(wheel), str(ROOT)], check=False).returncode == 0:
            break
    else:
        sys.exit("The kernels could not be built for the sanitizers; see the lines above.")
    shutil.rmtree(SITE, ignore_errors=True)
    shutil.unpack_archive(str(next(wheel.glob("*.whl"))), SITE, "zip")
    shutil.copytree(ROOT / "tests", SITE / "tests", ignore=shutil.ignore_patterns("__pycache__"))


def run(*command: str, preload: list[str]) -> bool:
    """Run Python on the sanitized build; whether it ended well."""
    environment = os.environ | {
        "PYTHONPATH": str(SITE),
        "PYTHONMALLOC": "malloc",
        "PYTHONDONTWRITEBYTECODE": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "ASAN_OPTIONS": "detect_leaks=0:abort_on_error=0:halt_on_error=1",
        "UBSAN_OPTIONS": "halt_on_error=1:print_stacktrace=1",
    }
    if preload:
        environment["LD_PRELOAD"] = ":".join(preload)
    print("==", *command, flush=True)
    # -P: the folder that this runs in is not on the path, only the sanitized build is
    return subprocess.run([sys.executable, "-P", *command], cwd=SITE, env=environment, check=False).returncode == 0


def main() -> int:
    """Build, test, call at random, check mutated captures."""
    calls, captures = sys.argv[1:3]
    preload = runtime() if sys.platform == "linux" else []
    build(",".join(SANITIZERS) if preload else "", plain=int(calls) <= FEW_CALLS)
    print("== kernels,", "under the sanitizers" if preload else "every index checked (this compiler has no sanitizers)")
    tests = [str(path) for path in sorted(SITE.glob("tests/track/test_*_kernels.py"))]
    tests += [str(SITE / "tests/track" / name) for name in ("test_native.py", "test_fourier.py")]
    left_out = "not every_level and not many_arguments"
    well = run(
        "-c",
        "import listen.native as n, pathlib; assert pathlib.Path(n.__file__).is_relative_to(pathlib.Path.cwd())",
        preload=preload,
    )
    pytest = [
        "-m",
        "pytest",
        "-q",
        "--rootdir",
        str(SITE),
        "-c",
        str(ROOT / "pyproject.toml"),
        "-o",
        f"pythonpath={SITE}",
    ]
    well &= run(*pytest, "-p", "no:cacheprovider", "-k", left_out, *tests, preload=preload)
    well &= run("-m", "tests.track.fuzz_calls", "0", calls, preload=preload)
    well &= run("-m", "tests.track.mutants", "0", captures, preload=preload)
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(main())
