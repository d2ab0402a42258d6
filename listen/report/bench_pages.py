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
        floor = result.floor
        hum = (
            f"hum of {floor.hum_hz:.0f} Hz at {floor.hum_dbfs:.1f} dBFS"
            if floor.hum_hz and floor.hum_dbfs
            else "no hum"
        )
        lines += paper.write(f"{floor.floor_dbfs:.1f} dBFS over the whole band, {hum}.", label="floor")
    for i, line in enumerate(result.remarks):
        lines += paper.write(line, label="" if i else "mind", ink="mind", bullet=True)
    lines.append(paper.line())
    where = "written to" if result.path else "for the bench file (--write FILE.toml writes it)"
    lines += paper.write(f"{where} {name_of(result.path) if result.path else ''}".strip(), label="bench")
    lines += [paper.line(line) for line in result.text.rstrip("\n").split("\n")]
    lines.append(paper.rule("┴"))
    return paper.finish(lines)


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
