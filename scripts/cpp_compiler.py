"""Whether this machine has a C++ compiler, and what a build takes from PyPI where it has none."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

FROM_PYPI = ["ziglang>=0.13", "cmake>=3.20", "ninja>=1.10"]
"""A compiler, and what drives it: where there is no compiler there is seldom a CMake or a make."""


def has_compiler() -> bool:
    """Whether a C++ compiler is on the path, is named by CXX, or is one that CMake finds by itself."""
    if os.environ.get("CXX"):
        return True
    if os.name == "nt":
        installer = Path(os.environ.get("ProgramFiles(x86)", "C:/")) / "Microsoft Visual Studio/Installer/vswhere.exe"
        return shutil.which("cl") is not None or installer.exists()
    return any(shutil.which(name) for name in ("c++", "g++", "clang++"))
