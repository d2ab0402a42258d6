"""``listen calibrate``: from a stepped take to the pitch-against-voltage table that a build is tuned by."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from listen.bench import WAVES, Bench, load_bench
from listen.calibration import (
    LAWS,
    Calibration,
    Given,
    Step,
    Take,
    Trimming,
    calibration_of,
    parse_positions,
    parse_steps,
    parse_values,
    read_steps_file,
    steps_of,
    voltage_trace,
    with_nominal,
)
from listen.capture import Capture, open_capture
from listen.errors import CaptureError, OptionError, suggestion
from listen.report.calibration_page import calibration_page
from listen.track import track
from listen.verbs.beside import bench_beside

FilePath = str | os.PathLike[str]
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CalibrationResult:
    """A calibration, and what it was made of.

    Attributes
    ----------
    captures : tuple of Capture
    bench : Bench or None
    calibration : Calibration
    voltage_source : str
        Where the voltages came from: an option or a channel.
    law_asked : str
    """

    captures: tuple[Capture, ...]
    bench: Bench | None
    calibration: Calibration
    voltage_source: str
    law_asked: str

    @property
    def bench_path(self) -> str | None:
        """The bench file that was used."""
        return self.bench.path if self.bench else None

    @property
    def steps(self) -> tuple[Step, ...]:
        """One row a step, in the order of the take."""
        return self.calibration.steps

    @property
    def advice(self) -> tuple[str, ...]:
        """What to do, what matters most first."""
        return self.calibration.advice

    def __repr__(self) -> str:
        law = self.calibration.law
        what = "a dial" if law is None else f"{law.kind}, {law.octaves_per_volt:.5f} octaves a volt"
        return f"<CalibrationResult {len(self.steps)} steps: {what}>"

    def __str__(self) -> str:
        return calibration_page(self).rstrip("\n")


def calibrate(
    *paths: FilePath,
    cv_channel: int | None = None,
    cv_file: FilePath | Sequence[FilePath] | None = None,
    cv_steps: str | None = None,
    cv_values: str | Sequence[float] | None = None,
    positions: str | None = None,
    law: str = "auto",
    channel: int | None = None,
    wave: str | None = None,
    bench: FilePath | Bench | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    before: FilePath | None = None,
    turned: float | None = None,
    clockwise: str | None = None,
    progress: Progress | None = None,
) -> CalibrationResult:
    """Make a pitch-against-voltage table of one or more takes.

    Parameters
    ----------
    *paths : path
        Takes in which each voltage is held for a second or so; several make one table.
    cv_channel : int, optional
        The channel that holds the voltage; counts from 1. The bench file's ``[cv]`` gives its volts.
    cv_file : path or sequence of path, optional
        Steps files, one for all takes or one a take.
    cv_steps : str, optional
        ``START:STOP:STEP[:up|down|updown]``; beside measured volts, what was meant.
    cv_values : str or sequence of float, optional
        Volts as read on the meter, one a plateau, in order.
    positions : str, optional
        Places of a dial.
    law : {'auto', 'volt-per-octave', 'hertz-per-volt', 'free'}
    channel, wave, bench, start_s, end_s
        As for `listen.check`.
    before : path, optional
        The JSON of a calibration before the scale trimmer was turned.
    turned : float, optional
        Turns since then, clockwise positive.
    clockwise : {'wider', 'narrower'}, optional
        Your own note of what clockwise does to an octave.
    progress : callable, optional
        Called with the part that is done, 0 to 1.

    Returns
    -------
    CalibrationResult

    Raises
    ------
    ListenError
        A take, an option or the voltages cannot be used; the text says how to mend it.

    Examples
    --------
    >>> import listen
    >>> result = listen.calibrate("steps.wav", cv_values="0.98,2.01,2.97")  # doctest: +SKIP
    >>> result.calibration.law.octaves_per_volt  # doctest: +SKIP
    0.9987
    """
    if not paths:
        raise OptionError("no capture was given", "name a recording of the steps")
    _known("law", law, LAWS)
    _known("wave", wave, WAVES)
    _known("direction", clockwise, ("wider", "narrower"))
    given = _given(len(paths), cv_channel, cv_file, cv_steps, cv_values, positions)
    trimming = Trimming(before=_table(before, turned), turned=turned, clockwise=clockwise)
    steps: list[Step] = []
    notes: list[str] = []
    captures = []
    known: Bench | None = None
    for index, (path, volts) in enumerate(zip(paths, given, strict=True)):
        known = _bench(path, bench)
        share = _share(progress, index, len(paths))
        take, capture = _take(path, index, known, channel, cv_channel, volts, (start_s, end_s), share)
        found, said = steps_of(take, volts)
        steps += found
        notes += [f"{capture.path}: {line}" for line in said] if len(paths) > 1 else said
        captures.append(capture)
    calibration = calibration_of(
        steps,
        notes=tuple(notes),
        axis="positions" if positions is not None else "volts",
        law=law,
        trimming=trimming,
        capacitor_f=_capacitor_f(known),
        name=", ".join(c.path for c in captures),
    )
    source = f"channel {cv_channel or _cv_channel(known)}" if given[0] is None or cv_channel else given[0].source
    return CalibrationResult(
        captures=tuple(captures), bench=known, calibration=calibration, voltage_source=source, law_asked=law
    )


def _given(
    count: int,
    cv_channel: int | None,
    cv_file: FilePath | Sequence[FilePath] | None,
    cv_steps: str | None,
    cv_values: str | Sequence[float] | None,
    positions: str | None,
) -> list[Given | None]:
    """Return the voltages of each take; None where a channel has them."""
    measured = {"--cv-channel": cv_channel, "--cv-file": cv_file, "--cv-values": cv_values, "--positions": positions}
    ways = [name for name, value in measured.items() if value is not None]
    if len(ways) > 1:
        raise OptionError(f"{ways[0]} and {ways[1]} both give the voltages", "give one of them")
    if positions is not None and cv_steps is not None:
        raise OptionError("--positions and --cv-steps cannot be given together", "give one of them")
    nominal = parse_steps(cv_steps) if cv_steps is not None else None
    if cv_file is not None:
        files = [cv_file] if isinstance(cv_file, (str, os.PathLike)) else list(cv_file)
        if len(files) not in (1, count):
            raise OptionError(
                f"--cv-file is given {len(files)} times for {count} captures", "give it once, or once a capture"
            )
        read = [read_steps_file(file) for file in files]
        read = read * count if len(read) == 1 else read
        return [with_nominal(one, nominal) if nominal else one for one in read]
    if cv_values is not None:
        text = cv_values if isinstance(cv_values, str) else ",".join(repr(float(v)) for v in cv_values)
        typed = parse_values(text)
        return [with_nominal(typed, nominal) if nominal else typed] * count
    if positions is not None:
        return [parse_positions(positions)] * count
    return [nominal] * count


def _take(
    path: FilePath,
    index: int,
    known: Bench | None,
    channel: int | None,
    cv_channel: int | None,
    volts: Given | None,
    span: tuple[float | None, float | None],
    progress: Progress | None,
) -> tuple[Take, Capture]:
    settings = known.capture if known else None
    capture = open_capture(path, channel=channel, start_s=span[0], end_s=span[1], settings=settings)
    asked = cv_channel if cv_channel is not None else (_cv_channel(known) if volts is None else None)
    if asked is None and volts is None:
        raise OptionError(
            "the voltages are not given",
            "type them with --cv-values 0.98,2.01,2.97, or use --cv-steps 0:5:1, --cv-file, --cv-channel, --positions",
        )
    voltage = _voltage(path, capture, asked, known, span) if asked is not None else None
    frames = track(capture, progress=progress)
    rate = capture.true_rate_hz
    take = Take(
        name=capture.path,
        frames=frames,
        span_s=(capture.start_sample / rate, capture.stop_sample / rate),
        voltage=voltage,
        voltage_channel=asked,
        index=index,
    )
    return take, capture


def _voltage(
    path: FilePath, capture: Capture, channel: int, known: Bench | None, span: tuple[float | None, float | None]
) -> Any:
    if os.fspath(path) == "-":
        raise OptionError("--cv-channel cannot read standard input twice", "save the take to a file first")
    if channel == capture.channel:
        raise OptionError(
            f"--cv-channel {channel} is the channel of the oscillator",
            "give another, or choose the oscillator's with --channel",
        )
    if channel > capture.channels:
        have = "1 channel" if capture.channels == 1 else f"{capture.channels} channels"
        raise OptionError(f"--cv-channel {channel}: {capture.path} has {have}", "channels count from 1")
    if known is None or known.cv.volts_per_full_scale is None:
        raise OptionError(
            f"--cv-channel {channel}: the volts of full scale are not known",
            "write volts_per_full_scale = 10.0 below [cv] in the bench file (--bench)",
        )
    source = open_capture(path, channel=channel, start_s=span[0], end_s=span[1])
    trace = voltage_trace(source, known.cv.volts_per_full_scale, known.cv.offset_v)
    return type(trace)(time_s=trace.time_s * source.true_rate_hz / capture.true_rate_hz, value=trace.value)


def _cv_channel(known: Bench | None) -> int | None:
    return known.cv.channel if known else None


def _bench(path: FilePath, bench: FilePath | Bench | None) -> Bench | None:
    if isinstance(bench, Bench):
        return bench
    found = bench_beside(path) if bench is None else Path(bench)
    return None if found is None else load_bench(found)


def _capacitor_f(known: Bench | None) -> float | None:
    """The timing capacitor of a core, where the bench file has one fixed value."""
    if known is None or known.build.topology != "sawtooth-core":
        return None
    low, high = known.build.parts.get("c1_f", (0.0, 1.0))
    return low if low == high else None


def _table(path: FilePath | None, turned: float | None) -> tuple[tuple[float, float], ...] | None:
    """Read the table of an earlier calibration."""
    if path is None:
        if turned is not None:
            raise OptionError("--turned needs the table before the turn", "give it with --before TABLE.json")
        return None
    if turned is None:
        raise OptionError(
            "--before needs to know how far the trimmer was turned since", "give --turned TURNS, clockwise positive"
        )
    name = f"--before {os.fspath(path)}"
    mend = "give the file that listen calibrate --json wrote"
    try:
        document = json.loads(Path(path).read_text(encoding="utf-8"))
    except FileNotFoundError as cause:
        raise OptionError(f"{name}: no such file", mend) from cause
    except (OSError, ValueError) as cause:
        raise OptionError(f"{name}: is no JSON document that can be read", mend) from cause
    try:
        if document["schema"] != "listen.calibration/1":
            raise OptionError(f"{name}: is not a calibration", mend)
        rows = tuple((float(s["cv_v"]), float(s["f0_hz"])) for s in document["steps"] if s["f0_hz"] is not None)
    except (KeyError, TypeError, ValueError) as cause:
        raise OptionError(f"{name}: is not a calibration", mend) from cause
    if not all(np.isfinite(v) and f0_hz > 0 for v, f0_hz in rows):
        raise OptionError(f"{name}: holds values that are no pitches", mend)
    return rows


def _share(progress: Progress | None, index: int, count: int) -> Progress | None:
    if progress is None:
        return None
    told = progress
    return lambda share: told((index + share) / count)


def _known(name: str, value: str | None, known: tuple[str, ...]) -> None:
    if value is not None and value not in known:
        raise OptionError(f"{value!r} is not a known {name}", suggestion(value, known))


__all__ = ["CalibrationResult", "CaptureError", "calibrate"]
