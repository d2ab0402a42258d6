"""What a calibration advises: signs and amounts, and never a direction that nobody measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from listen.calibration.laws import FittedLaw, Rows
from listen.calibration.splitting import scale_apart
from listen.calibration.spread import slowest
from listen.calibration.types import ErrorSplit, Gap, Step, Trim
from listen.units import format_hz, format_seconds

GOOD_CENTS, USABLE_CENTS = 2.0, 5.0
"""Cents an octave: up to here the scale is right, is usable (common practice, no source)."""
_HYSTERESIS_CENTS = 3.0
_CREEP_CENTS = 2.0
_SLOW_S = 0.1
_KINK_CENTS = 6.0
_BAD_CENTS = 50.0
_US_PER_CENT_KHZ = 1.0 / 1.7312
"""A reset of 1 us makes 1 kHz 1200 log2(1.001) = 1.73 cents flat."""
_THERMAL_V = 0.02585
_CENTS_PER_E = 1200.0 / math.log(2.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Facts:
    """What advice is made of."""

    steps: Sequence[Step]
    rows: Rows
    fitted: FittedLaw
    split: ErrorSplit | None
    hysteresis: Gap | None
    repeatability: Gap | None
    trim: Trim | None
    clockwise: str | None = None
    """The user's own note: clockwise makes octaves ``wider`` or ``narrower``."""
    capacitor_f: float | None = None
    target: float = 1.0


@cache
def _words() -> dict[str, dict[str, str]]:
    import tomllib

    return tomllib.loads((Path(__file__).parent / "advice.toml").read_text(encoding="utf-8"))


def _say(table: str, key: str, **values: object) -> str:
    return _words()[table][key].format(**values)


def advise(facts: Facts) -> tuple[str, ...]:
    """Return the advice, what matters most first.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    tuple of str
    """
    kind = facts.fitted.law.kind
    lines = _unsettled(facts.steps)
    if kind == "volt-per-octave":
        lines += [*_top(facts), *_scale(facts), *_bottom(facts), *_kink(facts)]
    elif kind == "hertz-per-volt":
        lines += _hertz(facts)
    lines += _cell(facts)
    if facts.repeatability is not None:
        gap = facts.repeatability
        lines.append(
            _say("repeat", "spread", median=_cents(gap.median), worst=_cents(gap.worst), at=_volts(gap.worst_at_v))
        )
    return tuple(lines)


def _cents(value: float) -> str:
    size = abs(value)
    return f"{size:.2f}" if size < 1.0 else f"{size:.1f}" if size < 99.95 else f"{size:.0f}"


def _volts(value: float) -> str:
    return (f"{value:.3f}".rstrip("0").rstrip(".")) if abs(value) >= 0.0005 else "0"


def _unsettled(steps: Sequence[Step]) -> list[str]:
    out = []
    for step in steps:
        if step.unsettled:
            out.append(_say("trouble", "unsettled", at=_volts(step.cv_v), cents=_cents(step.moving_cents or 0.0)))
    return out[:3]


def _scale(facts: Facts) -> list[str]:
    law = facts.fitted.law
    scale, _ = scale_apart(facts.fitted, facts.split)
    width = 1200.0 * scale / facts.target
    nominal = law.octaves_per_nominal_volt
    if nominal is not None:
        nominal *= scale / law.octaves_per_volt
    lines = []
    heard = width if nominal is None else 1200.0 * nominal / facts.target
    error = heard - 1200.0
    values = {
        "width": f"{heard:.1f}",
        "error": f"{error:+.1f}",
        "size": _cents(error),
        "wide": "wide" if error > 0 else "narrow",
        "percent": f"{abs(error) / 12.0:.2f}",
    }
    size = abs(error)
    key = "good" if size <= GOOD_CENTS else "usable" if size <= USABLE_CENTS else "retrim"
    lines.append(_say("scale", key, **values))
    if nominal is not None and abs(heard - width) > 0.3:
        lines.append(_say("scale", "nominal", nominal=f"{heard:.1f}", measured=f"{width:.1f}"))
    if facts.trim is not None:
        lines += _trim(facts, facts.trim)
    elif size > GOOD_CENTS:
        lines += _which_way(facts, error)
        if nominal is None:
            lines.append(_say("scale", "measured_only", percent=values["percent"]))
    return lines


def _which_way(facts: Facts, error: float) -> list[str]:
    if facts.clockwise is None:
        return [_say("scale", "direction")]
    way = "anticlockwise" if (facts.clockwise == "wider") == (error > 0) else "clockwise"
    return [_say("scale", "note", clockwise=facts.clockwise, way=way)]


def _trim(facts: Facts, trim: Trim) -> list[str]:
    if trim.turns_left is None:
        return [_say("scale", "no_effect")]
    error = 1200.0 * (scale_apart(facts.fitted, facts.split)[0] / facts.target - 1.0)
    turns = f"{abs(trim.turns_left):.2f}"
    if abs(error) < 0.3:
        return [_say("scale", "trim_done", turns=turns)]
    way = "clockwise" if trim.turns_left > 0 else "anticlockwise"
    lines = [_say("scale", "trim", way=way, turns=turns, a_turn=f"{trim.cents_per_octave_per_turn:+.2f}")]
    if trim.pivot_v is not None and trim.reads_hz and trim.should_read_hz and trim.trim_at_v is not None:
        lines.append(
            _say(
                "scale",
                "pivot",
                pivot=f"{trim.pivot_v:.2f}",
                at=_volts(trim.trim_at_v),
                reads=format_hz(trim.reads_hz, 5),
                should=format_hz(trim.should_read_hz, 5),
            )
        )
    else:
        lines.append(_say("scale", "pivot_none"))
    lines.append(_say("scale", "fixed", percent=f"{abs(error) / 12.0:.1f}"))
    return lines


def _top(facts: Facts) -> list[str]:
    bend = facts.fitted.bend_cents
    if not bend:
        return []
    top = int(np.argmax(facts.rows.volts))
    lines = [_say("top", "flat" if bend < 0 else "sharp", cents=_cents(bend), at=format_hz(float(facts.rows.hz[top])))]
    _, c = scale_apart(facts.fitted, facts.split)
    if not c:
        return [*lines, _say("top", "other")] if bend < 0 else lines
    if c >= 0:
        return lines
    dead_us = -c * _US_PER_CENT_KHZ
    ohm = -c * _THERMAL_V / (_CENTS_PER_E * 10e-6)
    lines.append(_say("top", "equivalent", per_khz=f"{c:.2f}", dead_us=f"{dead_us:.2f}", ohm=f"{ohm:.0f}"))
    if facts.capacitor_f:
        series = f"{dead_us * 1e-6 / facts.capacitor_f:.0f}"
        lines.append(_say("top", "cure", ohm=series, farad=_farad(facts.capacitor_f)))
    else:
        lines.append(_say("top", "cure_any", dead_us=f"{dead_us:.2f}", kohm=f"{dead_us:.1f}"))
    return lines


def _bottom(facts: Facts) -> list[str]:
    d = facts.split.term("inverse").value if facts.split is not None else None
    if d is None or facts.split is None:
        return []
    sigma = facts.split.term("inverse").sigma or 0.0
    if abs(d) / float(facts.rows.hz.min()) < 2.0 or abs(d) < 4.0 * sigma:
        return []
    current = f"{abs(d) / _CENTS_PER_E * 10.0:.1f} nA"
    return [_say("bottom", "flat" if d < 0 else "sharp", d=f"{d:.0f}", current=current)]


def _kink(facts: Facts) -> list[str]:
    """Say a step that stands off a curve through its neighbours."""
    volts, cents = facts.rows.volts, facts.rows.cents
    order = np.argsort(volts, kind="stable")
    v, p = volts[order], cents[order]
    if len(np.unique(v)) < 6 or (facts.hysteresis is not None and abs(facts.hysteresis.worst) > _HYSTERESIS_CENTS):
        return []
    off = np.zeros(len(v))
    for i in range(1, len(v) - 1):
        if v[i + 1] > v[i - 1]:
            off[i] = p[i] - np.interp(v[i], [v[i - 1], v[i + 1]], [p[i - 1], p[i + 1]])
    off -= np.median(off)
    worst = int(np.argmax(np.abs(off)))
    rest = np.delete(off, [j for j in (worst - 1, worst, worst + 1) if 0 <= j < len(off)])
    if abs(off[worst]) < _KINK_CENTS or abs(off[worst]) < 6.0 * max(float(np.sqrt(np.mean(rest**2))), 0.2):
        return []
    return [_say("trouble", "kink", at=_volts(float(v[worst])), cents=f"{off[worst]:+.1f}")]


def _hertz(facts: Facts) -> list[str]:
    law = facts.fitted.law
    slope = law.hertz_per_volt or 1.0
    zero_v = -law.f0_at_zero_v_hz / slope
    low, high = law.range_v
    if law.rms_error_cents > _BAD_CENTS:
        return [_say("hertz", "bad", rms=_cents(law.rms_error_cents))]
    values = {"hz": f"{slope:.4g}", "millivolts": f"{1000.0 * zero_v:.1f}"}
    if abs(zero_v) < 0.001 or low <= 0:
        return [_say("hertz", "good", hz=values["hz"], millivolts=f"{max(1.0, abs(1000.0 * zero_v)):.0f}")]
    off = [_CENTS_PER_E * math.log(max(1.0 - zero_v / at, 1e-3)) for at in (low, high)]
    return [
        _say(
            "hertz",
            "offset",
            cents=f"{off[0]:+.1f}",
            high_cents=f"{off[1]:+.1f}",
            low=_volts(low),
            high=_volts(high),
            **values,
        )
    ]


def _cell(facts: Facts) -> list[str]:
    lines = []
    gap = facts.hysteresis
    if gap is not None and abs(gap.median) > _HYSTERESIS_CENTS:
        lines.append(
            _say(
                "cell",
                "hysteresis",
                median=_cents(gap.median),
                higher="higher" if gap.median > 0 else "lower",
                worst=_cents(gap.worst),
                at=_volts(gap.worst_at_v),
            )
        )
    slow = slowest(facts.steps)
    if slow is not None and slow.settling_s is not None and slow.settling_s > _SLOW_S:
        lines.append(
            _say(
                "cell",
                "settling",
                seconds=format_seconds(slow.settling_s),
                at=_volts(slow.cv_v),
                direction=slow.direction,
                hold=format_seconds(2.0 * slow.settling_s),
            )
        )
    creeping = [s for s in facts.steps if not s.unsettled and abs(s.moving_cents or 0.0) > _CREEP_CENTS]
    if creeping and facts.fitted.law.kind == "free":
        worst = max(creeping, key=lambda s: abs(s.moving_cents or 0.0))
        lines.append(_say("cell", "creep", at=_volts(worst.cv_v), cents=_cents(worst.moving_cents or 0.0)))
    law = facts.fitted.law
    if law.exponent is not None and law.exponent_from_v is not None:
        minus = "-" if law.exponent_from_v >= 0 else "+"
        from_v = f"{abs(law.exponent_from_v):.2f}"
        lines.append(_say("cell", "exponent", **{"from": from_v}, minus=minus, exponent=f"{law.exponent:.2f}"))
    return lines


def _farad(farad: float) -> str:
    for scale, unit in ((1e-6, "uF"), (1e-9, "nF"), (1e-12, "pF")):
        if farad >= scale:
            return f"{farad / scale:.3g} {unit}"
    return f"{farad:.3g} F"
