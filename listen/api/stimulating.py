"""``listen stimulus``: the voltage staircase to play with its steps file, or the loopback stimulus; the cautions."""

from __future__ import annotations

import os
from pathlib import Path

from listen.api.arguments import FilePath
from listen.bench import Bench, load_bench
from listen.calibration import parse_steps, parse_values
from listen.calibration.loopback import CAUTIONS, Loop, loopback_samples
from listen.calibration.stimulus import Stimulus, make_stimulus, steps_csv
from listen.errors import OptionError
from listen.report.files import check_target, write_whole
from listen.report.voltage_wav import voltage_wav

RATES_HZ = (44100, 48000, 88200, 96000, 192000)


def stimulus(
    path: FilePath,
    *,
    cv_steps: str | None = None,
    cv_values: str | None = None,
    dwell_s: float = 1.0,
    bench: FilePath | Bench | None = None,
    steps_path: FilePath | None = None,
    sample_rate_hz: int = 48000,
    marker: bool = True,
) -> tuple[Stimulus, Path]:
    """Write the staircase and its steps file.

    Parameters
    ----------
    path : path
        The WAV to write, 24 bits, one channel.
    cv_steps, cv_values : str
        Which voltages, as for `listen.calibrate`; one of them.
    dwell_s : float
        How long each is held.
    bench : path or Bench
        Its ``[cv]`` says how many volts full scale is.
    steps_path : path, optional
        Of the steps file; beside the WAV where not given.
    sample_rate_hz : int
    marker : bool
        Whether the start marker comes first.

    Returns
    -------
    Stimulus, Path
        What was written, and where its steps are.

    Raises
    ------
    ListenError
        The voltages, the bench file or a target cannot be used.
    """
    if (cv_steps is None) == (cv_values is None):
        what = "no voltages are given" if cv_steps is None else "--cv-steps and --cv-values both give the voltages"
        raise OptionError(what, "give --cv-steps START:STOP:STEP or --cv-values")
    voltages = parse_steps(cv_steps) if cv_steps is not None else parse_values(cv_values or "")
    known = bench if isinstance(bench, Bench) else load_bench(bench) if bench is not None else Bench()
    if known.cv.volts_per_full_scale is None:
        raise OptionError(
            "the volts of the output's full scale are not known",
            "meter it, and write volts_per_full_scale = 10.0 below [cv] in the bench file (--bench)",
        )
    _usual(sample_rate_hz)
    staircase = make_stimulus(
        voltages,
        dwell_s=dwell_s,
        volts_per_full_scale=known.cv.volts_per_full_scale,
        offset_v=known.cv.offset_v,
        sample_rate_hz=sample_rate_hz,
        marker=marker,
    )
    if steps_path is None and Path(path).exists() and not Path(path).is_file():
        raise OptionError(
            f"{os.fspath(path)!r} is a pipe or a device: no steps file stands beside it", "add --steps-file"
        )
    steps_file = Path(path).with_suffix(".steps.csv") if steps_path is None else Path(steps_path)
    inputs = [] if bench is None or isinstance(bench, Bench) else [bench]
    check_target(path, option="WAV", inputs=inputs)
    check_target(steps_file, option="--steps-file", inputs=[*inputs, path])
    write_whole(path, voltage_wav(staircase.samples, staircase.sample_rate_hz))
    write_whole(steps_file, steps_csv(staircase.rows).encode("ascii"))
    return staircase, steps_file


def loopback_stimulus(path: FilePath, *, sample_rate_hz: int = 48000) -> Loop:
    """Write the loopback stimulus: what a recorder is measured with.

    Parameters
    ----------
    path : path
        The WAV to write, 24 bits, one channel.
    sample_rate_hz : int

    Returns
    -------
    Loop

    Raises
    ------
    ListenError
        The rate is no usual one, or the target cannot be used.
    """
    _usual(sample_rate_hz)
    check_target(path, option="WAV", inputs=[])
    samples = loopback_samples(sample_rate_hz)
    write_whole(path, voltage_wav(samples, sample_rate_hz))
    return Loop(duration_s=len(samples) / sample_rate_hz, sample_rate_hz=sample_rate_hz, cautions=CAUTIONS)


def _usual(sample_rate_hz: int) -> None:
    if sample_rate_hz not in RATES_HZ:
        raise OptionError(f"--rate {sample_rate_hz} is no usual rate", "give " + ", ".join(map(str, RATES_HZ)))


__all__ = ["RATES_HZ", "Loop", "loopback_stimulus", "stimulus"]
