"""Pitch against control voltage: plateaus, laws, the inverse table, advice, and the staircase to play."""

from listen.calibration.advising import KnownCircuit
from listen.calibration.calibrator import TableSettings, TakeFacts, Trimming, calibration_of
from listen.calibration.plateaus import Trace
from listen.calibration.recorded import voltage_trace
from listen.calibration.stepping import Take, TakeSteps, steps_of
from listen.calibration.types import (
    LAWS,
    Calibration,
    ErrorSplit,
    Gap,
    Interval,
    InverseRow,
    Law,
    Step,
    Term,
    Trim,
)
from listen.calibration.voltage_input import (
    VoltageInput,
    parse_positions,
    parse_steps,
    parse_values,
    read_steps_file,
    with_nominal,
)

__all__ = [
    "LAWS",
    "Calibration",
    "ErrorSplit",
    "Gap",
    "Interval",
    "InverseRow",
    "KnownCircuit",
    "Law",
    "Step",
    "TableSettings",
    "Take",
    "TakeFacts",
    "TakeSteps",
    "Term",
    "Trace",
    "Trim",
    "Trimming",
    "VoltageInput",
    "calibration_of",
    "parse_positions",
    "parse_steps",
    "parse_values",
    "read_steps_file",
    "steps_of",
    "voltage_trace",
    "with_nominal",
]
