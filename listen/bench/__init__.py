"""The bench file: what the builder knows of the build and of the recording chain."""

from listen.bench.reading import load_bench, read_toml
from listen.bench.settings import (
    GAIN_CONTROLS,
    PHASE_SHIFT_ORDERS,
    PHASE_SHIFT_SECTIONS,
    TOPOLOGIES,
    WAVES,
    Bench,
    BuildSettings,
    CaptureSettings,
    CvSettings,
    GainSettings,
    OpampSettings,
    RecorderSettings,
)

__all__ = [
    "GAIN_CONTROLS",
    "PHASE_SHIFT_ORDERS",
    "PHASE_SHIFT_SECTIONS",
    "TOPOLOGIES",
    "WAVES",
    "Bench",
    "BuildSettings",
    "CaptureSettings",
    "CvSettings",
    "GainSettings",
    "OpampSettings",
    "RecorderSettings",
    "load_bench",
    "read_toml",
]
