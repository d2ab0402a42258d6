"""Charts of the mean cycle, its deviation from the intended wave, and the transfer curve, with the faults marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from listen.report.page.chart import Area, Chart, Line
from listen.report.page.cycles import POINTS, MeanCycle
from listen.report.page.wave_shape import ideal_wave
from listen.report.page.wording import say, title_of
from listen.units import format_hz_note, format_percent

Floats = NDArray[np.float64]

FLAT_FROM = 0.98
"""Of a half's crest: as the flat spans of the frames table."""
_FLANK = 0.75
"""Of the crest; below it a flattened half is still as it was meant."""
_MISSING = 0.002
_BENT = 0.5
"""Of the sine's slope at zero; less is a dead band."""
_PITCH_ROOM = 1.03
_ROOM = 0.06


class Flaw(Protocol):
    """What is read of a finding."""

    @property
    def kind(self) -> str: ...  # noqa: D102
    @property
    def half(self) -> str | None: ...  # noqa: D102
    @property
    def f0_low_hz(self) -> float | None: ...  # noqa: D102
    @property
    def f0_high_hz(self) -> float | None: ...  # noqa: D102


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleEnds:
    """Limits of the y axes of the three charts: the same for all cycles of a take, so that they can be compared."""

    cycle: tuple[float, float]
    residue: tuple[float, float]
    transfer: tuple[float, float]


def common_ends(cycles: Sequence[MeanCycle], wave: str = "sine", findings: Sequence[Flaw] = ()) -> CycleEnds:
    """Return the ends of y within which all of some cycles can be drawn."""
    tops = [np.concatenate([cycle.y, reference_of(cycle, wave)]) for cycle in cycles]
    tops += [line.y[np.isfinite(line.y)] for cycle in cycles for line in flaws_on(cycle, wave, findings)[1]]
    return CycleEnds(
        cycle=_ends(tops),
        residue=_ends([residue_of(cycle, wave) for cycle in cycles]),
        transfer=_ends([np.append(cycle.y, [1.0, -1.0]) for cycle in cycles]),
    )


def cycle_charts(
    cycle: MeanCycle, wave: str = "sine", findings: Sequence[Flaw] = (), ends: CycleEnds | None = None
) -> tuple[Chart, ...]:
    """Return the mean cycle, its residue, and of a sine its transfer curve.

    Parameters
    ----------
    cycle : Cycle
    wave : str
        The intended wave: the cycle is drawn against it.
    findings : sequence of Finding
        Those of them that flatten a cycle of this pitch are marked on it.
    ends : CycleEnds, optional
        Those of this cycle alone where not given.

    Returns
    -------
    tuple of Chart
    """
    ends = ends or common_ends([cycle], wave, findings)
    charts = [_cycle_chart(cycle, wave, findings, ends), _residue_chart(cycle, wave, ends)]
    if wave in ("sine", "any"):
        charts.append(_transfer_chart(cycle, ends))
    return tuple(charts)


def worst_cycle(cycles: Sequence[MeanCycle], wave: str = "sine") -> int:
    """Return which cycle departs most from its wave."""
    return max(range(len(cycles)), key=lambda i: float(np.sum(residue_of(cycles[i], wave) ** 2)))


def reference_of(cycle: MeanCycle, wave: str) -> Floats:
    """Return the wave that a cycle is drawn against: the intended one, or its own fundamental."""
    found = ideal_wave(wave, cycle.y, cycle.harmonics)
    return found if found is not None else np.asarray(ideal_wave("sine", cycle.y, 1))


def residue_of(cycle: MeanCycle, wave: str) -> Floats:
    """Return the deviation of a cycle from its wave, relative to the fundamental's amplitude."""
    return cycle.y - reference_of(cycle, wave)


def flaws_on(cycle: MeanCycle, wave: str, findings: Sequence[Flaw]) -> tuple[tuple[Area, ...], tuple[Line, ...]]:
    """Return what a finding means on the cycle: the flattened part or dead band hatched, the missing crest dotted.

    Parameters
    ----------
    cycle : Cycle
    wave : str
    findings : sequence of Finding

    Returns
    -------
    areas, lines
        None of either for a cycle of another pitch, or of findings of other kinds.
    """
    here = [finding for finding in findings if _covers(finding, cycle.f0_hz)]
    areas: list[Area] = []
    missing = np.full(POINTS, np.nan)
    for finding in here:
        if finding.kind == "asymmetric-clipping" and finding.half in ("positive", "negative"):
            sign = 1.0 if finding.half == "positive" else -1.0
            areas += _flat_areas(cycle.y, sign)
            # the other half, turned over, is what this one should have been
            missing = _missing(cycle.y, -np.roll(cycle.y, POINTS // 2), sign, missing)
        elif finding.kind == "symmetric-clipping":
            meant = _from_the_flanks(cycle.y, reference_of(cycle, wave))
            for sign in (1.0, -1.0):
                areas += _flat_areas(cycle.y, sign)
                missing = _missing(cycle.y, meant, sign, missing)
        elif finding.kind == "crossover-distortion":
            areas += _dead_areas(cycle.y)
    lines = [Line(label=say("line.missing"), y=_closed(missing), dash="dotted")]
    return tuple(areas), tuple(lines) if np.isfinite(missing).any() else ()


def cycle_chart_lines(
    pair: tuple[MeanCycle, MeanCycle], wave: str, findings: Sequence[Flaw]
) -> tuple[tuple[Area, ...], tuple[Line, ...]]:
    """Return two cycles of one pitch laid over each other, and what is wrong with the first."""
    areas, missing = flaws_on(pair[0], wave, findings)
    lines = (
        Line(label=say("line.before"), y=_closed(pair[0].y), ink="second", dash="dashed"),
        Line(label=say("line.after"), y=_closed(pair[1].y)),
        *missing,
    )
    return areas, lines


def _covers(finding: Flaw, f0_hz: float) -> bool:
    if finding.f0_low_hz is None or finding.f0_high_hz is None:
        return False
    return finding.f0_low_hz / _PITCH_ROOM <= f0_hz <= finding.f0_high_hz * _PITCH_ROOM


def _flat_areas(y: Floats, sign: float) -> list[Area]:
    """The part of a half above 98 % of its crest, down to zero."""
    z = sign * y
    flat = z > FLAT_FROM * float(z.max())
    return _areas(flat, np.zeros(POINTS), y, say("line.flattened"))


def _dead_areas(y: Floats) -> list[Area]:
    """Round each zero crossing, where the wave is far less steep than its fundamental."""
    slope = np.gradient(np.concatenate([y[-1:], y, y[:1]]))[1:-1] * POINTS / (2.0 * np.pi)
    sine = np.asarray(ideal_wave("sine", y, 1))
    flat = (np.abs(slope) < _BENT) & (np.abs(sine) < 0.5)
    return _areas(flat, np.minimum(y, sine), np.maximum(y, sine), say("line.dead"))


def _areas(inside: NDArray[np.bool_], low: Floats, high: Floats, label: str) -> list[Area]:
    """One area for each unbroken run of points."""
    shut = _closed(inside.astype(float)) > 0.5
    edges = np.flatnonzero(np.diff(np.concatenate([[False], shut, [False]]).astype(np.int8)))
    degrees, low, high = _degrees(), _closed(low), _closed(high)
    return [
        Area(label=label, x=degrees[a:b], low=low[a:b], high=high[a:b], fill="hatch")
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if b - a >= 2
    ]


def _from_the_flanks(y: Floats, shape: Floats) -> Floats:
    """The intended wave, scaled to the flanks of the cycle, which a limiter leaves unchanged."""
    flank = np.abs(y) < _FLANK * float(np.max(np.abs(y)))
    size = float(np.sum(y[flank] * shape[flank]) / np.sum(shape[flank] ** 2)) if flank.any() else 0.0
    return size * shape


def _missing(y: Floats, meant: Floats, sign: float, missing: Floats) -> Floats:
    """Add the crest that should have been, where it stands over the flattened one."""
    z, m = sign * y, sign * meant
    above = (z > FLAT_FROM * 0.9 * float(z.max())) & (m > z + _MISSING)
    return np.where(above, meant, missing)


def _cycle_chart(cycle: MeanCycle, wave: str, findings: Sequence[Flaw], ends: CycleEnds) -> Chart:
    areas, missing = flaws_on(cycle, wave, findings)
    alt = say(
        "chart.cycle.alt",
        pitch=format_hz_note(cycle.f0_hz),
        harmonics=cycle.harmonics,
        positive=f"{cycle.y.max():.3f}",
        negative=f"{-cycle.y.min():.3f}",
    )
    return Chart(
        name="cycle",
        title=title_of("cycle", wave),
        alt=alt + ("" if not areas else say("chart.cycle.marked")),
        lines=(
            Line(label=say("line.cycle"), y=_closed(cycle.y)),
            Line(
                label=say(f"line.its_{wave}" if wave != "any" else "line.its_sine"),
                y=_closed(reference_of(cycle, wave)),
                ink="second",
                dash="dashed",
            ),
            *missing,
        ),
        areas=areas,
        decimals=3,
        **_common(ends.cycle),
    )


def _residue_chart(cycle: MeanCycle, wave: str, ends: CycleEnds) -> Chart:
    residue = residue_of(cycle, wave)
    most = format_percent(100.0 * float(np.max(np.abs(residue))))
    return Chart(
        name="residue",
        title=title_of("residue", wave),
        alt=say("chart.residue.alt", pitch=format_hz_note(cycle.f0_hz), most=most),
        lines=(Line(label=say("line.residue"), y=_closed(residue)),),
        decimals=4,
        **_common(ends.residue),
    )


def _transfer_chart(cycle: MeanCycle, ends: CycleEnds) -> Chart:
    straight, rising, falling = cycle.transfer()
    return Chart(
        name="transfer",
        title=say("chart.transfer.title"),
        alt=say(
            "chart.transfer.alt",
            pitch=format_hz_note(cycle.f0_hz),
            high=f"{rising[-1]:.3f}",
            low=f"{rising[0]:.3f}",
        ),
        x_label=say("axis.sine"),
        y_label=say("axis.output"),
        x=straight,
        x_axis="ratio",
        lines=(
            Line(label=say("line.rising"), y=rising),
            Line(label=say("line.falling"), y=falling, ink="second", dash="dashed"),
            Line(label=say("line.straight"), y=straight, ink="faint", dash="dotted"),
        ),
        y_range=ends.transfer,
        decimals=3,
    )


def _common(y_range: tuple[float, float]) -> dict[str, Any]:
    return {
        "x": _degrees(),
        "x_axis": "degrees",
        "x_label": say("axis.degrees"),
        "y_label": say("axis.ratio"),
        "y_range": y_range,
    }


def _ends(values: Sequence[Floats]) -> tuple[float, float]:
    low, high = min(float(v.min()) for v in values if len(v)), max(float(v.max()) for v in values if len(v))
    room = _ROOM * (high - low) or 1e-4
    return low - room, high + room


def _degrees() -> Floats:
    return 360.0 * np.arange(POINTS + 1) / POINTS


def _closed(y: Floats) -> Floats:
    """One cycle with its first point again at the end."""
    return np.append(y, y[0])
