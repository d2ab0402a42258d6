"""Types of arguments that several functions of the interface take."""

from __future__ import annotations

import os
from collections.abc import Callable

FilePath = str | os.PathLike[str]
Progress = Callable[[float], None]
"""Called with the part that is done, 0 to 1."""
