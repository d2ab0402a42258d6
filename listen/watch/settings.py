"""What a watch was asked for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from listen.bench import RecorderSettings
from listen.watch.pcm import StreamFormat


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings of a watch.

    Attributes
    ----------
    check : dict
        For the closing check: channel, wave, bench, limits, gain_control.
    raw : StreamFormat or None
        What the samples are where the stream has no header.
    every_s : float
        Time between readings.
    note_hz, interval_ratio : float or None
    keep : str or None
        Where the take is kept.
    seconds : float or None
        End after so much was heard.
    channel : int
        Counted from 1.
    inverted : bool
    clock_error_ppm : float
    ac_coupling_hz : float or None
    recorder : RecorderSettings or None
    findings : bool
        Whether findings are looked for meanwhile.
    """

    check: dict[str, Any]
    raw: StreamFormat | None = None
    every_s: float = 0.05
    note_hz: float | None = None
    interval_ratio: float | None = None
    keep: str | None = None
    seconds: float | None = None
    channel: int = 1
    inverted: bool = False
    clock_error_ppm: float = 0.0
    ac_coupling_hz: float | None = None
    recorder: RecorderSettings | None = None
    findings: bool = True
