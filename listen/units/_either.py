"""One formula for a number and for an array: numbers never import numpy, so that the command line starts quickly."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any


def either(function: Callable[[Any, Any], Any], value: Any) -> Any:
    """Call ``function(module, value)`` with math for a number, with numpy for an array; infinite beyond all floats."""
    if isinstance(value, (int, float)):
        try:
            return float(function(math, float(value)))
        except OverflowError:
            return math.inf
    import numpy as np

    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        result = function(np, np.asarray(value, dtype=np.float64))
    return float(result) if np.ndim(value) == 0 else result


def log10(module: Any, value: Any) -> Any:
    if module is math and not value > 0.0:
        return -math.inf if value == 0.0 else math.nan
    return module.log10(value)


def log2(module: Any, value: Any) -> Any:
    if module is math and not value > 0.0:
        return -math.inf if value == 0.0 else math.nan
    return module.log2(value)
