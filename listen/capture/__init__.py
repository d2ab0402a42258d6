"""Reading of recordings: files, channels, and faults of the recording itself."""

from listen.bench import CaptureSettings
from listen.capture.damage import scan_damage
from listen.capture.opening import Capture, open_capture
from listen.capture.sample_cache import SampleCache
from listen.capture.types import Damage, LostRuns, OverloadRuns

__all__ = [
    "Capture",
    "CaptureSettings",
    "Damage",
    "LostRuns",
    "OverloadRuns",
    "SampleCache",
    "open_capture",
    "scan_damage",
]
