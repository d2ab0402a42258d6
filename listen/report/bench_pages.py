"""What ``listen stimulus`` and ``listen setup`` print."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Protocol

from listen.report.paper import Paper
from listen.report.words import name_of
from listen.units import format_hz, format_seconds

_STEADY_LEAST_PERCENT = 0.01
"""No meter at a bench tells less."""

if TYPE_CHECKING:
    from listen.calibration.clock import Clock
    from listen.calibration.loopback import Loop
    from listen.calibration.loopback_read import Loopback
    from listen.calibration.recording_chain import Contact, Floor, Volts
    from listen.calibration.stimulus import Stimulus


class SetupView(Protocol):
    """Results of a setup, as the page reads them."""

    @property
    def volts(self) -> Volts | None: ...  # noqa: D102
    @property
    def contact(self) -> Contact | None: ...  # noqa: D102
    @property
    def floor(self) -> Floor | None: ...  # noqa: D102
    @property
    def loopback(self) -> Loopback | None: ...  # noqa: D102
    @property
    def clock(self) -> Clock | None: ...  # noqa: D102
    @property
    def text(self) -> str: ...  # noqa: D102
    @property
    def path(self) -> str | None: ...  # noqa: D102
    @property
    def remarks(self) -> tuple[str, ...]: ...  # noqa: D102


def stimulus_page(staircase: Stimulus, wav: str, steps: str | os.PathLike[str], paper: Paper | None = None) -> str:
    """Return what to say of a staircase that was written: what it is, how to use it, what to mind."""
    paper = paper or Paper()
    first, last = staircase.rows[0], staircase.rows[-1]
    volts = [row[2] for row in staircase.rows]
    lines = [paper.rule("┬")]
    lines += paper.write(name_of(wav), label="play")
    lines += paper.write(
        f"{len(volts)} steps of {first[1] - first[0]:g} s, {min(volts):g} to {max(volts):g} V, "
        f"{format_seconds(staircase.duration_s)}; the steps begin at {first[0]:.2f} s and end at {last[1]:.2f} s",
        text_ink="faint",
    )
    lines += paper.write(name_of(steps), label="steps")
    lines += paper.write(f"listen calibrate TAKE.wav --cv-file {name_of(steps)}", label="then", text_ink="strong")
    lines.append(paper.line())
    for i, line in enumerate(staircase.cautions):
        lines += paper.write(line, label="" if i else "mind", ink="mind", bullet=True)
    lines.append(paper.rule("┴"))
    return paper.finish(lines)


def loopback_page(loop: Loop, wav: str, paper: Paper | None = None) -> str:
    """Return what to say of a loopback stimulus that was written: how to use it, what to mind."""
    paper = paper or Paper()
    lines = [paper.rule("┬")]
    lines += paper.write(name_of(wav), label="play")
    lines += paper.write(
        f"{format_seconds(loop.duration_s)} at {loop.sample_rate_hz / 1000:g} kHz: a silence, 997 Hz at seven levels, "
        "steps from 5 Hz to the end of the band, pulses",
        text_ink="faint",
    )
    lines += paper.write("listen setup --loopback TAKE.wav --write bench.toml", label="then", text_ink="strong")
    lines.append(paper.line())
    for i, line in enumerate(loop.cautions):
        lines += paper.write(line, label="" if i else "mind", ink="mind", bullet=True)
    lines.append(paper.rule("┴"))
    return paper.finish(lines)


def setup_page(result: SetupView, paper: Paper | None = None) -> str:
    """Return what the takes say of the chain, and the bench file."""
    paper = paper or Paper()
    lines = [paper.rule("┬")]
    if result.volts is not None:
        volts = result.volts
        steady = max(_STEADY_LEAST_PERCENT, 100.0 * volts.sigma / volts.volts_per_full_scale)
        lines += paper.write(
            f"{volts.volts_per_full_scale:.4g} V peak at full scale (a tone of {format_hz(volts.f0_hz)} at "
            f"{volts.level_dbfs:.2f} dBFS; steady to {steady:.2g} %, the meter's own error comes on top).",
            label="volts",
        )
    if result.contact is not None:
        touched = result.contact
        lines += paper.write(
            "The interface inverts the wave." if touched.inverted else "The interface keeps the wave upright.",
            label="polarity",
        )
        lines += paper.write(_coupling(touched), label="coupling")
    if result.floor is not None:
        lines += paper.write(_floor(result.floor), label="floor")
    if result.loopback is not None:
        for label, text in _recorder(result.loopback):
            lines += paper.write(text, label=label)
    lines += paper.write(_clock(result.clock), label="clock") if result.clock or result.loopback else []
    for i, line in enumerate(result.remarks):
        lines += paper.write(line, label="" if i else "mind", ink="mind", bullet=True)
    lines.append(paper.line())
    where = "written to" if result.path else "for the bench file (--write FILE.toml writes it)"
    lines += paper.write(f"{where} {name_of(result.path) if result.path else ''}".strip(), label="bench")
    lines += [paper.line(line) for line in result.text.rstrip("\n").split("\n")]
    lines.append(paper.rule("┴"))
    return paper.finish(lines)


def _floor(floor: Floor) -> str:
    hum = f"hum of {floor.hum_hz:.0f} Hz at {floor.hum_dbfs:.1f} dBFS" if floor.hum_hz and floor.hum_dbfs else "no hum"
    return f"{floor.floor_dbfs:.1f} dBFS over the whole band, {hum}."


def _clock(clock: Clock | None) -> str:
    if clock is None:
        return (
            "Not measurable from a loop: output and input share one clock. A reference of known pitch tells it "
            "(--clock TAKE --clock-hz HZ)."
        )
    return (
        f"{abs(clock.error_ppm):.2f} ppm {'fast' if clock.error_ppm > 0 else 'slow'} against {clock.reference_hz:g} Hz "
        f"(known to {max(clock.sigma_ppm, 0.01):.2g} ppm, the reference's own error comes on top)."
    )


def _recorder(found: Loopback) -> list[tuple[str, str]]:
    """Label and text of each figure of the recorder."""
    loudest = found.distortion[-1]
    harmonics = ", ".join(
        f"H{k} {'' if detected else 'under '}{db:.1f}"
        for k, (db, detected) in enumerate(zip(loudest.harmonics_dbc, loudest.detected, strict=True), start=2)
    )
    levels = f"{len(found.distortion)} levels, {found.distortion[0].level_dbfs:.1f} to {loudest.level_dbfs:.1f} dBFS"
    worst = max(range(len(found.response_db)), key=lambda i: abs(found.response_db[i]))
    audio = [abs(db) for f, db in zip(found.response_hz, found.response_db, strict=True) if 20.0 <= f <= 20e3]
    polarity = {
        None: "Not to be told.",
        True: "The loop of output and input inverts the wave.",
        False: "The loop of output and input keeps the wave upright.",
    }[found.inverted]
    corner = (
        f"The loop's corner is under {max(found.corner_hz + 2.0 * found.corner_sigma_hz, 0.1):.2f} Hz."
        if found.corner_hz < 3.0 * found.corner_sigma_hz + 0.05
        else f"The loop's corner is at {' and '.join(f'{c:.2f}' for c in found.corners_hz)} Hz (known to "
        f"{max(found.corner_sigma_hz, 0.005):.2g} Hz)."
    )
    return [
        ("recorder", f"At {loudest.level_dbfs:.1f} dBFS, in dBc: {harmonics}. Measured at {levels}."),
        ("floor", _floor(found.floor)),
        ("coupling", corner),
        (
            "response",
            f"Within {max(audio, default=0.0):.2f} dB from 20 Hz to 20 kHz without the coupling, at most "
            f"{round(found.response_db[worst], 2) + 0.0:+.2f} dB at {format_hz(found.response_hz[worst])} "
            f"(known to {max(max(found.response_sigma_db), 0.001):.2g} dB).",
        ),
        ("polarity", polarity),
    ]


def _coupling(touched: Contact) -> str:
    if touched.corner_hz is None:
        return "The corner cannot be told."
    if not touched.corners_hz:
        return "DC-coupled: the voltage stays."
    if len(touched.corners_hz) == 1:
        return (
            f"AC-coupled, corner at {touched.corner_hz:.2f} Hz (known to {max(touched.corner_sigma_hz, 0.005):.2g} Hz)."
        )
    both = " and ".join(f"{corner:.2f}" for corner in touched.corners_hz)
    return f"AC-coupled twice in series, corners at {both} Hz."
