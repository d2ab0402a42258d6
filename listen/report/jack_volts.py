"""What the bench file buys by arithmetic alone: volts at the jack, expected notes, the distance to the supplies."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from listen.findings import if_upright
from listen.report.circuit_lines import circuit_lines
from listen.units import format_hz_range

if TYPE_CHECKING:
    from listen.report.views import CheckView


@dataclass(frozen=True, slots=True, kw_only=True)
class JackVolts:
    """Volts at the jack along the sweep, the divider counted out by the bench file's volts of full scale.

    Attributes
    ----------
    low_vrms, high_vrms : float
        The quietest and the loudest third of an octave.
    low_vpp, high_vpp : float or None
        Peak to peak; of a sine alone, whose crests are measured.
    peak_v : tuple of float or None
        The lowest and the highest crest.
    to_supply_v : tuple of float or None
        What is left between these crests and the supplies, negative one first; none where no supplies were stated.
    """

    low_vrms: float
    high_vrms: float
    low_vpp: float | None = None
    high_vpp: float | None = None
    peak_v: tuple[float, float] | None = None
    to_supply_v: tuple[float, float] | None = None


def jack_volts(result: CheckView) -> JackVolts | None:
    """Return the volts at the jack; None where the volts of full scale or the level are not known.

    Parameters
    ----------
    result : CheckResult

    Notes
    -----
    A sine that reaches full scale is at 0 dBFS, so that the crest of a sine at L dBFS is 10^(L/20) of full scale, and
    its r.m.s. value that over the root of two.
    """
    full_scale_v = result.capture.volts_per_full_scale
    rows = [row for row in result.judgement.sweep if row.level_dbfs is not None]
    if full_scale_v is None or not rows:
        return None
    sine_v = [full_scale_v * 10.0 ** ((row.level_dbfs or 0.0) / 20.0) for row in rows]
    vrms = [peak / 2.0**0.5 for peak in sine_v]
    crests = [
        (-v * row.crest_negative, v * row.crest_positive)
        for v, row in zip(sine_v, rows, strict=True)
        if row.crest_negative is not None and row.crest_positive is not None
    ]
    if result.wave != "sine" or len(crests) < len(rows):
        return JackVolts(low_vrms=min(vrms), high_vrms=max(vrms))
    peaks = [high - low for low, high in crests]
    lowest, highest = min(low for low, _ in crests), max(high for _, high in crests)
    supply = result.bench.build.supply_v if result.bench is not None else None
    return JackVolts(
        low_vrms=min(vrms),
        high_vrms=max(vrms),
        low_vpp=min(peaks),
        high_vpp=max(peaks),
        peak_v=(lowest, highest),
        to_supply_v=None if supply is None else (lowest - supply[0], supply[1] - highest),
    )


def jack_document(result: CheckView) -> dict[str, Any] | None:
    """Return the volts at the jack as the schema has them."""
    volts = jack_volts(result)
    return None if volts is None else asdict(volts)


def bench_lines(result: CheckView) -> tuple[str, ...]:
    """Return what the bench file lets be said, a line each, the volts at the jack first; none without it."""
    return (*_jack_lines(result), *circuit_lines(result.circuit, result.capture.polarity_known))


def _jack_lines(result: CheckView) -> list[str]:
    out = []
    volts = jack_volts(result)
    if volts is not None:
        rms = _range(volts.low_vrms, volts.high_vrms, "V r.m.s.")
        if volts.low_vpp is not None and volts.high_vpp is not None:
            out.append(f"level: {_range(volts.low_vpp, volts.high_vpp, 'V peak to peak')} at the jack ({rms})")
        else:
            out.append(f"level: {rms} at the jack")
        if volts.to_supply_v is not None:
            below, above = volts.to_supply_v
            said = f"supplies: {_volts(above)} V above the highest crest, {_volts(below)} V below the lowest"
            out.append(said + if_upright(result.capture.polarity_known))
    expected = result.circuit.expected_pitch if result.circuit is not None else None
    low, high = result.judgement.summary["f0_low_hz"], result.judgement.summary["f0_high_hz"]
    if expected is not None and low is not None and high is not None:
        out.append(
            f"notes: {format_hz_range(low, high)}; the parts give "
            f"{format_hz_range(expected.low_hz.nominal, expected.high_hz.nominal)}"
        )
    return out


def _range(low: float, high: float, unit: str) -> str:
    one, other = _volts(low), _volts(high)
    return f"{one} {unit}" if one == other else f"{one} to {other} {unit}"


def _volts(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 100.0 else f"{value:.0f}"
