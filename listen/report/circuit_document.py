"""The figures of the circuit in the JSON document."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any

from listen.report.shape_document import quantity_document as _quantity
from listen.report.shape_document import shape_document

if TYPE_CHECKING:
    from listen.circuit import Circuit
    from listen.circuit.types import AmplifierCurve, Cause, ChannelPair, ExpectedPitch, GainPoint, RankedCauses


def circuit_document(circuit: Circuit | None) -> dict[str, Any] | None:
    """Return the circuit as its schema has it; None where no oscillator was heard.

    Parameters
    ----------
    circuit : Circuit or None
    """
    if circuit is None:
        return None
    gangs, loop = circuit.gang_mismatch, circuit.level_loop
    return {
        "growth": [_plain(item) for item in circuit.growth],
        "loop_gain_in_hand": _quantity(circuit.loop_gain_in_hand),
        "loop_gain_along": [_gain(point) for point in circuit.loop_gain_along],
        "amplifier_curve": _curve(circuit.amplifier_curve),
        "level_loop": {
            "natural_hz": _quantity(loop.natural_hz),
            "damping": _quantity(loop.damping),
            "state": loop.state,
        },
        "gang_mismatch": {
            "spread_percent": _quantity(gangs.spread_percent),
            "constant_percent": _quantity(gangs.constant_percent),
            "along": [_plain(point) for point in gangs.along],
        },
        "slew_rate_v_per_us": {
            **_quantity(circuit.slew_rate_v_per_us),
            "rising": _quantity(circuit.slew_rising),
            "falling": _quantity(circuit.slew_falling),
        },
        "gain_bandwidth_hz": _quantity(circuit.gain_bandwidth_hz),
        "dead_band_v": _quantity(circuit.dead_band_v),
        "clip_levels_v": {
            "negative": _quantity(circuit.clip_negative_v),
            "positive": _quantity(circuit.clip_positive_v),
        },
        "supply_v": circuit.supply_v,
        "headroom_v": circuit.headroom_v,
        "expected_pitch": _expected(circuit.expected_pitch),
        "shape": shape_document(circuit.shape) if circuit.shape is not None else None,
        "second_channel": _pair(circuit.channel_pair),
        "causes": [_causes(item) for item in circuit.causes],
        "advice": [
            {"part": item.part, "from": item.from_value, "to": item.to_value, "predicts": dict(item.predicts)}
            for item in circuit.advice
        ],
    }


def _plain(item: Any) -> dict[str, Any]:
    return {field.name: getattr(item, field.name) for field in fields(item)}


def _pair(pair: ChannelPair | None) -> dict[str, Any] | None:
    if pair is None:
        return None
    return {
        "channel": pair.channel,
        "phase_deg": _quantity(pair.phase_deg),
        "level_db": _quantity(pair.level_db),
        "phase_spread_deg": pair.phase_spread_deg,
        "level_spread_db": pair.level_spread_db,
        "along": [_plain(point) for point in pair.along],
    }


def _gain(point: GainPoint) -> dict[str, Any]:
    return {
        "time_s": point.time_s,
        "f0_hz": point.f0_hz,
        "percent": point.percent,
        "sigma": point.sigma,
        "from": point.source,
    }


def _curve(curve: AmplifierCurve | None) -> dict[str, Any] | None:
    return None if curve is None else _plain(curve)


def _expected(expected: ExpectedPitch | None) -> dict[str, Any] | None:
    if expected is None:
        return None
    return {
        "low_hz": _plain(expected.low_hz),
        "high_hz": _plain(expected.high_hz),
        "low_cents": _quantity(expected.low_cents),
        "high_cents": _quantity(expected.high_cents),
        "rc_product_off_percent": _quantity(expected.rc_product_off_percent),
    }


def _causes(item: RankedCauses) -> dict[str, Any]:
    return {
        "finding": item.finding,
        "start_s": item.start_s,
        "end_s": item.end_s,
        "ranked": [_cause(cause) for cause in item.ranked],
        "undecided": [list(pair) for pair in item.undecided],
        "take": item.take,
    }


def _cause(cause: Cause) -> dict[str, Any]:
    return {
        "id": cause.id,
        "weight": cause.weight,
        "standing": cause.standing,
        "for": [_plain(item) for item in cause.in_favour],
        "against": [_plain(item) for item in cause.against],
        "missing": list(cause.missing),
        "check": _plain(cause.check),
    }
