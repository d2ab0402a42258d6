"""Audio-rate analysis of recorded oscillator output: pitch, harmonics, envelope, and what they say of the build.

>>> import listen
>>> result = listen.check("take.wav")  # doctest: +SKIP
>>> result.verdict, result.findings, result.frames.f0_hz  # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from listen.api.calibrating import CalibrationResult, calibrate
    from listen.api.checking import CheckResult, check
    from listen.api.comparing import compare
    from listen.api.excerpting import ExcerptResult, excerpt
    from listen.errors import ListenError
    from listen.findings.types import Finding
    from listen.report.comparing import Comparison
    from listen.track.types import Frames

__all__ = [
    "CalibrationResult",
    "CheckResult",
    "Comparison",
    "ExcerptResult",
    "Finding",
    "Frames",
    "ListenError",
    "calibrate",
    "check",
    "compare",
    "excerpt",
]

_HOMES = {
    "CalibrationResult": "listen.api.calibrating",
    "CheckResult": "listen.api.checking",
    "Comparison": "listen.report.comparing",
    "ExcerptResult": "listen.api.excerpting",
    "Finding": "listen.findings.types",
    "Frames": "listen.track.types",
    "ListenError": "listen.errors",
    "calibrate": "listen.api.calibrating",
    "check": "listen.api.checking",
    "compare": "listen.api.comparing",
    "excerpt": "listen.api.excerpting",
}


def __getattr__(name: str) -> Any:
    """Load what is asked for: `listen --help` needs none of it."""
    if name not in _HOMES:
        raise AttributeError(f"module 'listen' has no attribute {name!r}")
    import importlib

    value = getattr(importlib.import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
