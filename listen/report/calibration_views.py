"""What a report reads of a calibration: the verb makes it, and it stands above this room."""

# ruff: noqa: D102  (each property is documented where it is made)

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from listen.calibration.types import Calibration
    from listen.report.views import CaptureView


class CalibrationView(Protocol):
    """What a report reads of a calibration; ``listen.CalibrationResult`` is one."""

    @property
    def captures(self) -> Sequence[CaptureView]: ...
    @property
    def bench_paths(self) -> Sequence[str]: ...
    @property
    def calibration(self) -> Calibration: ...
    @property
    def voltage_source(self) -> str: ...
    @property
    def law_asked(self) -> str: ...
