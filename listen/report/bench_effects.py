"""What a bench file changed of a check: one that lies beside a take is used without being asked for."""

from __future__ import annotations

import os
from dataclasses import replace

from listen.bench import BuildSettings
from listen.report.views import CheckView
from listen.report.words import name_of
from listen.units import format_hz


def bench_facts(result: CheckView) -> str:
    """Say which bench file was used, and what it changed.

    Parameters
    ----------
    result : CheckResult
        With a bench file.

    Returns
    -------
    str
        What an option on the command line overruled is not in it.
    """
    assert result.bench_path is not None
    changes = bench_changes(result)
    said = f"with the bench file {name_of(os.fspath(result.bench_path))}"
    return f"{said}: {', '.join(changes)}" if changes else f"{said}, which changes nothing here"


def bench_changes(result: CheckView) -> list[str]:
    """Return what is otherwise than it would be without the bench file, each in a few words.

    Parameters
    ----------
    result : CheckResult

    Returns
    -------
    list of str
        Empty where there is none, or none of what it says counts.
    """
    if result.bench is None:
        return []
    build, chain = result.bench.build, result.bench.capture
    changes = []
    if build.wave is not None and build.wave == result.wave != "sine":
        changes.append("any wave" if build.wave == "any" else f"the wave is a {build.wave}")
    if build.gain_control is not None and build.gain_control == result.gain_control:
        changes.append(f"gain control {build.gain_control}")
    if build.topology is not None and build.topology == result.topology:
        changes.append(f"topology {build.topology}")
    if chain.channel is not None and chain.channel == result.capture.channel != 1:
        changes.append(f"channel {chain.channel}")
    if chain.inverted is not None:
        changes.append("polarity inverted" if chain.inverted else "polarity not inverted")
    if chain.clock_error_ppm:
        changes.append(f"clock {chain.clock_error_ppm:+.3g} ppm")
    if chain.ac_coupling_hz is not None:
        known = f"AC coupling of {format_hz(chain.ac_coupling_hz)} undone" if chain.ac_coupling_hz else "DC-coupled"
        changes.append(known)
    if chain.recorder is not None and chain.recorder.level_dbfs:
        changes.append("the recorder's own distortion known")
    if chain.recorder is not None and any(chain.recorder.response_db):
        changes.append("its response undone")
    if chain.response_hz is not None:
        changes.append(f"low-pass of {format_hz(chain.response_hz)} known")
    if chain.volts_per_full_scale is not None:
        changes.append(f"full scale {chain.volts_per_full_scale:.3g} V")
    if replace(build, name=None, wave=None, gain_control=None, topology=None) != BuildSettings():
        changes.append("values of the circuit")
    return changes
