"""How the package is built: scikit-build-core's way, with two additions.

Where the machine has no C++ compiler, one comes from PyPI (ziglang). An editable install is a plain path to the clone,
with the extension built into it: scikit-build-core's own import hook costs every start 20 ms.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import os
import stat
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

from cpp_compiler import FROM_PYPI, has_compiler
from scikit_build_core import build as backend
from scikit_build_core.build import (
    build_sdist,
    get_requires_for_build_sdist,
    prepare_metadata_for_build_wheel,
)

__all__ = [
    "build_editable",
    "build_sdist",
    "build_wheel",
    "get_requires_for_build_editable",
    "get_requires_for_build_sdist",
    "get_requires_for_build_wheel",
    "prepare_metadata_for_build_editable",
    "prepare_metadata_for_build_wheel",
]

ROOT = Path(__file__).resolve().parents[1]
Settings = dict[str, list[str] | str] | None


def get_requires_for_build_wheel(config_settings: Settings = None) -> list[str]:
    """What a build needs: CMake and Ninja where they are missing, a compiler where there is none."""
    needed = backend.get_requires_for_build_wheel(config_settings)
    return needed if has_compiler() else [*needed, *FROM_PYPI]


def get_requires_for_build_editable(config_settings: Settings = None) -> list[str]:
    """As for a wheel."""
    return get_requires_for_build_wheel(config_settings)


def build_wheel(wheel_directory: str, config_settings: Settings = None, metadata_directory: str | None = None) -> str:
    """Build a wheel, with the machine's compiler or the one from PyPI."""
    with _compiler(config_settings):
        return backend.build_wheel(wheel_directory, config_settings, metadata_directory)


def prepare_metadata_for_build_editable(metadata_directory: str, config_settings: Settings = None) -> str:
    """As for a wheel."""
    return prepare_metadata_for_build_wheel(metadata_directory, config_settings)


def build_editable(
    wheel_directory: str, config_settings: Settings = None, metadata_directory: str | None = None
) -> str:
    """Build the extension into the clone, and a wheel that holds the clone's place instead of the package."""
    with tempfile.TemporaryDirectory() as folder:
        name = build_wheel(folder, config_settings, metadata_directory)
        with zipfile.ZipFile(Path(folder) / name) as whole:
            kept = {}
            for item in whole.namelist():
                if item.startswith("listen/native/kernels.") and item.endswith((".so", ".pyd")):
                    _put(ROOT / item, whole.read(item))
                elif ".dist-info/" in item:
                    kept[item] = whole.read(item)
    kept["__editable__.listen.pth"] = f"{ROOT}\n".encode()
    _write_wheel(Path(wheel_directory) / name, kept)
    return name


def _put(path: Path, content: bytes) -> None:
    """Replace a file that may be in use."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".kernels-")
    with os.fdopen(handle, "wb") as file:
        file.write(content)
    os.chmod(name, 0o755)
    os.replace(name, path)


def _write_wheel(path: Path, contents: dict[str, bytes]) -> None:
    """Write a wheel with its list of files (packaging.python.org, "Recording installed projects")."""
    record = next(name for name in contents if name.endswith(".dist-info/RECORD"))
    del contents[record]
    lines = []
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as wheel:
        for name, content in contents.items():
            digest = base64.urlsafe_b64encode(hashlib.sha256(content).digest()).rstrip(b"=").decode()
            lines.append(f"{name},sha256={digest},{len(content)}\n")
            wheel.writestr(name, content)
        wheel.writestr(record, "".join([*lines, f"{record},,\n"]))


@contextlib.contextmanager
def _compiler(config_settings: Settings) -> Iterator[None]:
    """Name the compiler from PyPI to CMake, for so long, where the machine has none."""
    if has_compiler():
        yield
        return
    before = dict(os.environ)
    folder = ROOT / "build" / "compiler"
    folder.mkdir(parents=True, exist_ok=True)
    os.environ["CXX"] = str(_command(folder, "c++"))
    tools = {"CMAKE_AR": "ar", "CMAKE_RANLIB": "ranlib"}
    options = [f"-D{name}={_command(folder, tool)}" for name, tool in tools.items()]
    options += ["-DLISTEN_QUICK_BUILD=ON", "-DCMAKE_TRY_COMPILE_TARGET_TYPE=STATIC_LIBRARY"]
    os.environ["CMAKE_ARGS"] = " ".join([os.environ.get("CMAKE_ARGS", ""), *options]).strip()
    os.environ["CMAKE_GENERATOR"] = "Ninja"
    # a build of another type links with other options, and so with another library
    library = None if "cmake.build-type" in (config_settings or {}) else _start_library(folder)
    try:
        yield
    finally:
        if library is not None:
            library.kill()
            library.wait()
        os.environ.clear()
        os.environ.update(before)


def _start_library(folder: Path) -> subprocess.Popen[bytes]:
    """Have the compiler from PyPI build its C++ library, most of a minute on one processor, while the kernels compile.

    It keeps the library for those who link with the same options. Where this fails, the link of the kernels builds it.
    """
    source = folder / "empty.cpp"
    source.write_text("", encoding="utf-8")
    options = ["-fPIC", "-O3", "-DNDEBUG", "-shared", "-Wl,-s", "-Os", "-Wl,--gc-sections"]
    command = [sys.executable, "-m", "ziglang", "c++", *options, str(source), "-o", str(folder / "empty.so")]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


# It has its C library as sources too: CMake's trial program, from which it knows the compiler, is not linked.
_TOOL = """
import subprocess, sys
tool, *arguments = sys.argv[1:]
if tool == "c++" and not {"-c", "-shared"} & set(arguments):
    arguments.append("-c")
sys.exit(subprocess.run([sys.executable, "-m", "ziglang", tool, *arguments]).returncode)
"""


def _command(folder: Path, tool: str) -> Path:
    """Make a command of one word out of a tool of ziglang."""
    script = folder / "tool.py"
    script.write_text(_TOOL, encoding="utf-8")
    if os.name == "nt":
        path = folder / f"{tool}.cmd"
        path.write_text(f'@"{sys.executable}" "{script}" {tool} %*\n', encoding="utf-8")
    else:
        path = folder / tool
        path.write_text(f'#!/bin/sh\nexec "{sys.executable}" "{script}" {tool} "$@"\n', encoding="utf-8")
        path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path
