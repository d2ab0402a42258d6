"""``listen calibrate``: from a stepped take to the pitch-against-voltage table that a build is tuned by."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from listen.api.arguments import FilePath, Progress
from listen.api.bench_lookup import find_bench_file
from listen.api.earlier_table import table_before
from listen.bench import WAVES, Bench, load_bench
from listen.calibration import (
    LAWS,
    Calibration,
    KnownCircuit,
    Step,
    TableSettings,
    Take,
    TakeFacts,
    TakeSteps,
    Trace,
    Trimming,
    VoltageInput,
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
from listen.errors import OptionError, suggestion
from listen.report.calibration_page import calibration_page
from listen.track import track


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationSettings:
    """How takes become a table.

    Attributes
    ----------
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
    channel, start_s, end_s
        As for `listen.check`.
    wave : str, optional
        The intended wave, as for `listen.check`: what a flat top may come from depends on it.
    bench : path or Bench, optional
        For all takes; else each take has the ``bench.toml`` beside it.
    before : path, optional
        The JSON of a calibration before the scale trimmer was turned.
    turned : float, optional
        Turns since then, clockwise positive.
    clockwise : {'wider', 'narrower'}, optional
        Your own note of what clockwise does to an octave.
    """

    cv_channel: int | None = None
    cv_file: FilePath | Sequence[FilePath] | None = None
    cv_steps: str | None = None
    cv_values: str | Sequence[float] | None = None
    positions: str | None = None
    law: str = "auto"
    channel: int | None = None
    wave: str | None = None
    bench: FilePath | Bench | None = None
    start_s: float | None = None
    end_s: float | None = None
    before: FilePath | None = None
    turned: float | None = None
    clockwise: str | None = None

    def __post_init__(self) -> None:
        _known("law", self.law, LAWS)
        _known("wave", self.wave, WAVES)
        _known("direction", self.clockwise, ("wider", "narrower"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Source:
    """One take, the bench file that belongs to it, and the channel of its voltage."""

    capture: Capture
    bench: Bench | None
    voltage_channel: int | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CalibrationResult:
    """A calibration, and what it was made of.

    Attributes
    ----------
    captures : tuple of Capture
    benches : tuple of Bench or None
        The bench file of each capture.
    calibration : Calibration
    voltage_source : str
        Where the voltages came from: an option or a channel.
    law_asked : str
    """

    captures: tuple[Capture, ...]
    benches: tuple[Bench | None, ...]
    calibration: Calibration
    voltage_source: str
    law_asked: str

    @property
    def bench(self) -> Bench | None:
        """The bench file of the first take that has one."""
        return next((bench for bench in self.benches if bench is not None), None)

    @property
    def bench_paths(self) -> tuple[str, ...]:
        """The bench files that were used, each once."""
        return tuple(
            dict.fromkeys(bench.path for bench in self.benches if bench is not None and bench.path is not None)
        )

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
    *paths: FilePath, settings: CalibrationSettings | None = None, progress: Progress | None = None, **changes: Any
) -> CalibrationResult:
    """Make a pitch-against-voltage table of one or more takes.

    Parameters
    ----------
    *paths : path
        Takes in which each voltage is held for a second or so; several make one table.
    settings : CalibrationSettings, optional
    progress : callable, optional
        Called with the part that is done, 0 to 1.
    **changes
        Any of the settings by its name: ``cv_values="0.98,2.01,2.97"``.

    Returns
    -------
    CalibrationResult

    Raises
    ------
    ListenError
        A take, an option or the voltages cannot be used; the text says how to correct it.

    Examples
    --------
    >>> import listen
    >>> result = listen.calibrate("steps.wav", cv_values="0.98,2.01,2.97")  # doctest: +SKIP
    >>> result.calibration.law.octaves_per_volt  # doctest: +SKIP
    0.9987
    """
    settings = replace(settings or CalibrationSettings(), **changes)
    if not paths:
        raise OptionError("no capture was given", "name a recording of the steps")
    voltages = _voltages_of_takes(len(paths), settings)
    trimming = Trimming(
        before=table_before(settings.before, settings.turned), turned=settings.turned, clockwise=settings.clockwise
    )
    sources: list[_Source] = []
    measured: list[TakeSteps] = []
    entries = 0
    for index, (path, volts) in enumerate(zip(paths, voltages, strict=True)):
        source, take = _take(path, settings, volts, _share(progress, index, len(paths)))
        same_list = volts is not None and volts is voltages[0]
        measured.append(steps_of(replace(take, index=index, first_entry=0 if same_list else entries), volts))
        entries += len(measured[-1].steps)
        sources.append(source)
    calibration = calibration_of(
        [step for one in measured for step in one.steps],
        TableSettings(
            axis="positions" if settings.positions is not None else "volts",
            law=settings.law,
            trimming=trimming,
            circuit=_known_circuit(settings, [source.bench for source in sources]),
        ),
        TakeFacts(
            name=", ".join(source.capture.path for source in sources),
            notes=_notes(sources, measured),
            left_out=sum(one.left_out for one in measured),
        ),
    )
    for source in sources:
        source.capture.reader.forget()
    return CalibrationResult(
        captures=tuple(source.capture for source in sources),
        benches=tuple(source.bench for source in sources),
        calibration=calibration,
        voltage_source=_voltage_source(voltages, sources),
        law_asked=settings.law,
    )


def _notes(sources: Sequence[_Source], measured: Sequence[TakeSteps]) -> tuple[str, ...]:
    """Return what was found about the takes; of several, each note with the name of its take."""
    if len(sources) == 1:
        return measured[0].notes
    return tuple(
        f"{source.capture.path}: {line}" for source, one in zip(sources, measured, strict=True) for line in one.notes
    )


def _voltage_source(voltages: Sequence[VoltageInput | None], sources: Sequence[_Source]) -> str:
    """Say where the voltages came from."""
    channels = dict.fromkeys(str(source.voltage_channel) for source in sources if source.voltage_channel is not None)
    if channels:
        return f"channel{'s' if len(channels) > 1 else ''} {', '.join(channels)}"
    return ", ".join(dict.fromkeys(one.source for one in voltages if one is not None))


def _known_circuit(settings: CalibrationSettings, benches: Sequence[Bench | None]) -> KnownCircuit:
    """Return what is known of the circuit, where the bench files of all takes agree."""
    waves = {bench.build.wave for bench in benches if bench is not None}
    capacitors = {_capacitor_f(bench) for bench in benches}
    wave = settings.wave or (waves.pop() if len(waves) == 1 else None)
    return KnownCircuit(capacitor_f=capacitors.pop() if len(capacitors) == 1 else None, wave=wave)


def _voltages_of_takes(count: int, settings: CalibrationSettings) -> list[VoltageInput | None]:
    """Return the voltages of each take; None where a channel has them."""
    measured = {
        "--cv-channel": settings.cv_channel,
        "--cv-file": settings.cv_file,
        "--cv-values": settings.cv_values,
        "--positions": settings.positions,
    }
    ways = [name for name, value in measured.items() if value is not None]
    if len(ways) > 1:
        raise OptionError(f"{ways[0]} and {ways[1]} both give the voltages", "give one of them")
    if settings.positions is not None and settings.cv_steps is not None:
        raise OptionError("--positions and --cv-steps cannot be given together", "give one of them")
    nominal = parse_steps(settings.cv_steps) if settings.cv_steps is not None else None
    if settings.cv_file is not None:
        return [with_nominal(one, nominal) if nominal else one for one in _read_files(settings.cv_file, count)]
    if settings.cv_values is not None:
        values = settings.cv_values
        text = values if isinstance(values, str) else ",".join(repr(float(v)) for v in values)
        typed = parse_values(text)
        return [with_nominal(typed, nominal) if nominal else typed] * count
    if settings.positions is not None:
        return [parse_positions(settings.positions)] * count
    return [nominal] * count


def _read_files(cv_file: FilePath | Sequence[FilePath], count: int) -> list[VoltageInput]:
    files = [cv_file] if isinstance(cv_file, (str, os.PathLike)) else list(cv_file)
    if len(files) not in (1, count):
        raise OptionError(
            f"--cv-file is given {len(files)} times for {count} captures", "give it once, or once a capture"
        )
    read = [read_steps_file(file) for file in files]
    return read * count if len(read) == 1 else read


def _take(
    path: FilePath, settings: CalibrationSettings, volts: VoltageInput | None, progress: Progress | None
) -> tuple[_Source, Take]:
    """Track one take, with the bench file that belongs to it."""
    bench = _bench(path, settings.bench)
    capture = open_capture(
        path,
        channel=settings.channel,
        start_s=settings.start_s,
        end_s=settings.end_s,
        settings=bench.capture if bench else None,
    )
    asked = settings.cv_channel
    if asked is None and volts is None:
        asked = bench.cv.channel if bench else None
    if asked is None and volts is None:
        raise OptionError(
            "the voltages are not given",
            "type them with --cv-values 0.98,2.01,2.97, or use --cv-steps 0:5:1, --cv-file, --cv-channel, --positions",
        )
    source = _Source(capture=capture, bench=bench, voltage_channel=asked)
    voltage = _voltage(path, source, settings) if asked is not None else None
    rate = capture.true_rate_hz
    take = Take(
        name=capture.path,
        frames=track(capture, progress=progress),
        span_s=(capture.start_sample / rate, capture.stop_sample / rate),
        voltage=voltage,
        voltage_channel=asked,
    )
    return source, take


def _voltage(path: FilePath, source: _Source, settings: CalibrationSettings) -> Trace:
    """Read the recorded voltage of a take, on the time scale of its oscillator."""
    capture, bench, channel = source.capture, source.bench, source.voltage_channel or 0
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
    if bench is None or bench.cv.volts_per_full_scale is None:
        raise OptionError(
            f"--cv-channel {channel}: the volts of full scale are not known",
            "write volts_per_full_scale = 10.0 below [cv] in the bench file (--bench)",
        )
    recorded = open_capture(path, channel=channel, start_s=settings.start_s, end_s=settings.end_s)
    trace = voltage_trace(recorded, bench.cv.volts_per_full_scale, bench.cv.offset_v)
    return replace(trace, time_s=trace.time_s * recorded.true_rate_hz / capture.true_rate_hz)


def _bench(path: FilePath, bench: FilePath | Bench | None) -> Bench | None:
    if isinstance(bench, Bench):
        return bench
    found = find_bench_file(path) if bench is None else Path(bench)
    return None if found is None else load_bench(found)


def _capacitor_f(known: Bench | None) -> float | None:
    """The timing capacitor of a core, where the bench file has one fixed value."""
    if known is None or known.build.topology != "sawtooth-core":
        return None
    low, high = known.build.parts.get("c1_f", (0.0, 1.0))
    return low if low == high else None


def _share(progress: Progress | None, index: int, count: int) -> Progress | None:
    if progress is None:
        return None
    report = progress
    return lambda share: report((index + share) / count)


def _known(name: str, value: str | None, known: tuple[str, ...]) -> None:
    if value is not None and value not in known:
        raise OptionError(f"{value!r} is not a known {name}", suggestion(value, known))


__all__ = ["CalibrationResult", "CalibrationSettings", "calibrate"]
