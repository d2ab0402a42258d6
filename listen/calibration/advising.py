"""Advice of a calibration: signs and amounts, and a direction only where it was measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from listen.calibration.laws import FittedLaw, StepRows
from listen.calibration.phrases import cents_text, phrase, volts_text
from listen.calibration.repeatability import slowest
from listen.calibration.splitting import scale_apart
from listen.calibration.types import ErrorSplit, Gap, Step, Trim
from listen.units import format_hz, format_seconds

GOOD_CENTS, USABLE_CENTS = 2.0, 5.0
"""Cents an octave: up to here the scale is right, is usable (common practice, no source)."""
FOREIGN_SHARE = 0.3
"""A scale further off than this was not trimmed wrong: a trimmer reaches a few per cent, and a wrong fixed resistor a
quarter (common practice, no source)."""
_HYSTERESIS_CENTS = 3.0
_CREEP_CENTS = 2.0
_SLOW_S = 0.1
_KINK_CENTS = 6.0
_BAD_CENTS = 50.0
_US_PER_CENT_KHZ = 1.0 / 1.7312
"""A reset of 1 us makes 1 kHz 1200 log2(1.001) = 1.73 cents flat."""
_THERMAL_V = 0.02585
_CENTS_PER_E = 1200.0 / math.log(2.0)
_WIEN_CENTS_KHZ_HZ = 4.5 * _CENTS_PER_E * 1000.0
"""A Wien bridge of equal arms with an amplifier of gain 3 and gain-bandwidth ft sings low by 4.5 f / ft, as
1 / sqrt(1 + 9 f / ft) is at first (the amplifier's one pole at ft / 3 put into the loop equation)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownCircuit:
    """What is known of the circuit.

    Attributes
    ----------
    capacitor_f : float or None
        The timing capacitor of a sawtooth core.
    wave : str or None
        The intended wave: a sine oscillator has no reset.
    """

    capacitor_f: float | None = None
    wave: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AdviceFacts:
    """What advice is made of."""

    steps: Sequence[Step]
    rows: StepRows
    fitted: FittedLaw
    split: ErrorSplit | None
    hysteresis: Gap | None
    repeatability: Gap | None
    trim: Trim | None
    clockwise: str | None = None
    """The user's own note: clockwise makes octaves ``wider`` or ``narrower``."""
    core: KnownCircuit = field(default_factory=KnownCircuit)
    target: float = 1.0


def advise(facts: AdviceFacts) -> tuple[str, ...]:
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
        lines += [*_bend_lines(facts), *_scale(facts), *_bottom(facts), *_kink(facts)]
    elif kind == "hertz-per-volt":
        lines += _hertz(facts)
    lines += _cell(facts)
    if facts.repeatability is not None:
        gap = facts.repeatability
        lines.append(
            phrase(
                "repeat",
                "spread",
                median=cents_text(gap.median),
                worst=cents_text(gap.worst),
                at=volts_text(gap.worst_at_v),
            )
        )
    return tuple(lines)


def _unsettled(steps: Sequence[Step]) -> list[str]:
    out = []
    for step in steps:
        if step.unsettled:
            out.append(
                phrase("trouble", "unsettled", at=volts_text(step.cv_v), cents=cents_text(step.moving_cents or 0.0))
            )
    return out[:3]


def scale_doubt(facts: AdviceFacts) -> tuple[str, ...]:
    """Return what to say of a scale that is none of the law: nothing where it may be trimmed wrong at most."""
    if facts.fitted.law.kind != "volt-per-octave":
        return ()
    heard, _, _ = _widths(facts)
    if abs(heard / 1200.0 - 1.0) <= FOREIGN_SHARE:
        return ()
    return (phrase("doubt", "scale", width=f"{heard:.0f}", percent=f"{abs(heard / 12.0 - 100.0):.0f}"),)


def _widths(facts: AdviceFacts) -> tuple[float, float, float | None]:
    """Cents that an octave comes out at: as heard, for each volt measured, for each volt meant (None: not given)."""
    law = facts.fitted.law
    scale, _ = scale_apart(facts.fitted, facts.split)
    width = 1200.0 * scale / facts.target
    nominal = law.octaves_per_nominal_volt
    if nominal is None:
        return width, width, None
    heard = 1200.0 * nominal * scale / law.octaves_per_volt / facts.target
    return heard, width, heard


def _scale(facts: AdviceFacts) -> list[str]:
    if scale_doubt(facts):
        return []
    heard, width, nominal = _widths(facts)
    lines = []
    error = heard - 1200.0
    values = {
        "width": f"{heard:.1f}",
        "error": f"{error:+z.1f}",
        "size": cents_text(error),
        "wide": "wide" if error > 0 else "narrow",
        "percent": f"{abs(error) / 12.0:.2f}",
    }
    size = abs(error)
    key = "good" if size <= GOOD_CENTS else "usable" if size <= USABLE_CENTS else "retrim"
    lines.append(phrase("scale", key, **values))
    if nominal is not None and abs(heard - width) > 0.3:
        lines.append(phrase("scale", "nominal", nominal=f"{heard:.1f}", measured=f"{width:.1f}"))
    if facts.trim is not None:
        lines += _trim(facts, facts.trim)
    elif size > GOOD_CENTS:
        lines += _which_way(facts, error)
        if nominal is None:
            lines.append(phrase("scale", "measured_only", percent=values["percent"]))
    return lines


def _which_way(facts: AdviceFacts, error: float) -> list[str]:
    if facts.clockwise is None:
        return [phrase("scale", "direction")]
    way = "anticlockwise" if (facts.clockwise == "wider") == (error > 0) else "clockwise"
    return [phrase("scale", "note", clockwise=facts.clockwise, way=way)]


def _trim(facts: AdviceFacts, trim: Trim) -> list[str]:
    if trim.turns_left is None:
        return [phrase("scale", "no_effect")]
    error = 1200.0 * (scale_apart(facts.fitted, facts.split)[0] / facts.target - 1.0)
    turns = f"{abs(trim.turns_left):.2f}"
    if abs(error) < 0.3:
        return [phrase("scale", "trim_done", turns=turns)]
    way = "clockwise" if trim.turns_left > 0 else "anticlockwise"
    lines = [phrase("scale", "trim", way=way, turns=turns, a_turn=f"{trim.cents_per_octave_per_turn:+z.2f}")]
    if trim.pivot_v is not None and trim.reads_hz and trim.should_read_hz and trim.trim_at_v is not None:
        lines.append(
            phrase(
                "scale",
                "pivot",
                pivot=f"{trim.pivot_v:.2f}",
                at=volts_text(trim.trim_at_v),
                reads=format_hz(trim.reads_hz, 5),
                should=format_hz(trim.should_read_hz, 5),
            )
        )
    else:
        lines.append(phrase("scale", "pivot_none"))
    lines.append(phrase("scale", "fixed", percent=f"{abs(error) / 12.0:.1f}"))
    return lines


def _bend_lines(facts: AdviceFacts) -> list[str]:
    bend = facts.fitted.bend_cents
    if not bend:
        return []
    top = int(np.argmax(facts.rows.volts))
    at = format_hz(float(facts.rows.hz[top]))
    lines = [phrase("top", "flat" if bend < 0 else "sharp", cents=cents_text(bend), at=at)]
    _, c = scale_apart(facts.fitted, facts.split)
    if not c:
        return [*lines, phrase("top", "other")] if bend < 0 else lines
    if c >= 0:
        return lines
    if facts.core.wave == "sine":
        return [*lines, phrase("top", "bandwidth", per_khz=f"{c:.2f}", hz=format_hz(-_WIEN_CENTS_KHZ_HZ / c))]
    dead_us = -c * _US_PER_CENT_KHZ
    ohm = -c * _THERMAL_V / (_CENTS_PER_E * 10e-6)
    lines.append(phrase("top", "equivalent", per_khz=f"{c:.2f}", dead_us=f"{dead_us:.2f}", ohm=f"{ohm:.0f}"))
    if facts.core.capacitor_f:
        series = f"{dead_us * 1e-6 / facts.core.capacitor_f:.0f}"
        lines.append(phrase("top", "cure", ohm=series, farad=_farad(facts.core.capacitor_f)))
    else:
        lines.append(phrase("top", "cure_any", dead_us=f"{dead_us:.2f}", kohm=f"{dead_us:.1f}"))
    return lines


def _bottom(facts: AdviceFacts) -> list[str]:
    d = facts.split.term("inverse").value if facts.split is not None else None
    if d is None or facts.split is None:
        return []
    sigma = facts.split.term("inverse").sigma or 0.0
    if abs(d) / float(facts.rows.hz.min()) < 2.0 or abs(d) < 4.0 * sigma:
        return []
    current = f"{abs(d) / _CENTS_PER_E * 10.0:.1f} nA"
    return [phrase("bottom", "flat" if d < 0 else "sharp", d=f"{d:.0f}", current=current)]


def _kink(facts: AdviceFacts) -> list[str]:
    """Describe a step that deviates from a curve through its neighbours."""
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
    return [phrase("trouble", "kink", at=volts_text(float(v[worst])), cents=f"{off[worst]:+z.1f}")]


def _hertz(facts: AdviceFacts) -> list[str]:
    law = facts.fitted.law
    slope = law.hertz_per_volt or 1.0
    zero_v = -law.f0_at_zero_v_hz / slope
    low, high = law.range_v
    if law.rms_error_cents > _BAD_CENTS:
        return [phrase("hertz", "bad", rms=cents_text(law.rms_error_cents))]
    values = {"hz": f"{slope:.4g}", "millivolts": f"{1000.0 * zero_v:.1f}"}
    if abs(zero_v) < 0.001 or low <= 0:
        return [phrase("hertz", "good", hz=values["hz"], millivolts=f"{max(1.0, abs(1000.0 * zero_v)):.0f}")]
    off = [_CENTS_PER_E * math.log(max(1.0 - zero_v / at, 1e-3)) for at in (low, high)]
    return [
        phrase(
            "hertz",
            "offset",
            cents=f"{off[0]:+z.1f}",
            high_cents=f"{off[1]:+z.1f}",
            low=volts_text(low),
            high=volts_text(high),
            **values,
        )
    ]


def _cell(facts: AdviceFacts) -> list[str]:
    lines = []
    gap = facts.hysteresis
    if gap is not None and abs(gap.median) > _HYSTERESIS_CENTS:
        lines.append(
            phrase(
                "cell",
                "hysteresis",
                median=cents_text(gap.median),
                higher="higher" if gap.median > 0 else "lower",
                worst=cents_text(gap.worst),
                at=volts_text(gap.worst_at_v),
            )
        )
    slow = slowest(facts.steps)
    if slow is not None and slow.settling_s is not None and slow.settling_s > _SLOW_S:
        lines.append(
            phrase(
                "cell",
                "settling",
                seconds=format_seconds(slow.settling_s),
                at=volts_text(slow.cv_v),
                direction=slow.direction,
                hold=format_seconds(2.0 * slow.settling_s),
            )
        )
    creeping = [s for s in facts.steps if not s.unsettled and abs(s.moving_cents or 0.0) > _CREEP_CENTS]
    if creeping and facts.fitted.law.kind == "free":
        worst = max(creeping, key=lambda s: abs(s.moving_cents or 0.0))
        lines.append(phrase("cell", "creep", at=volts_text(worst.cv_v), cents=cents_text(worst.moving_cents or 0.0)))
    law = facts.fitted.law
    if law.exponent is not None and law.exponent_from_v is not None:
        minus = "-" if law.exponent_from_v >= 0 else "+"
        from_v = f"{abs(law.exponent_from_v):.2f}"
        lines.append(phrase("cell", "exponent", **{"from": from_v}, minus=minus, exponent=f"{law.exponent:.2f}"))
    return lines


def _farad(farad: float) -> str:
    for scale, unit in ((1e-6, "uF"), (1e-9, "nF"), (1e-12, "pF")):
        if farad >= scale:
            return f"{farad / scale:.3g} {unit}"
    return f"{farad:.3g} F"
