"""From the account of a take, and what is known of the build, to the figures of the circuit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from listen.account import Account, CleanedCapture
from listen.bench import BuildSettings
from listen.circuit.advice import advise
from listen.circuit.after_step import growth_after_steps
from listen.circuit.amplifier import WITHOUT_MEMORY, Amplifier, curve_of, read_amplifier
from listen.circuit.expected import expected_pitch, gain_bandwidth
from listen.circuit.growth import find_growth
from listen.circuit.integrators import integrators_curve
from listen.circuit.known import KnownBuild
from listen.circuit.level_loop import level_loop
from listen.circuit.limits_read import clip_levels, dead_band, headroom_v, peaks_v, where_of
from listen.circuit.network import GUESSED_POLE_HZ, gain_of_growth, network_of
from listen.circuit.rank import rank_causes
from listen.circuit.second_channel import channel_pair
from listen.circuit.shape import wave_figures
from listen.circuit.slopes_read import slew
from listen.circuit.types import (
    AmplifierCurve,
    Circuit,
    ExpectedPitch,
    GainPoint,
    GangMismatch,
    GangPoint,
    Growth,
    Quantity,
    Where,
    unknown,
)
from listen.circuit.wave_circuit import wave_circuit
from listen.findings.types import Finding

_CONSTANT = "a mismatch that is the same at every setting is the same recording as another gain setting"
_GANGS, _DYING_GANGS = (0.0, 0.02), (0.06, 0.04)
"""Mismatch of gangs that nobody stated, and how uncertain it is: in use; where a tone dies, whose gangs part by a
tenth, or do not where the gain itself falls (common practice, no source)."""
_SPREAD_SHARE, _LEAST_SPREAD = 0.0015, 0.002
"""Uncertainty of a spread beside the rows' own: of itself, for its ends are averaged over a frame and the curve's form
is not the diodes' own; and per cent, for the tracker's level errs by 2e-5 and a soft limiter asks for a hundred times
that."""
_UNSTATED_POLE = 0.42
"""R.m.s. lag of the amplifiers in use over that of the slowest, 1 / log-uniform from 0.6 to 10 MHz: its share of what
the slowest would move."""
_WITH_MEMORY = ("jfet", "lamp", "ldr")
_ONE_NOTE = 1.02
_SOURCES: dict[str, Any] = {"start": "start", "restart": "restart", "decay": "decay"}


def read_circuit(source: Any, account: Account, known: KnownBuild, findings: Sequence[Finding] = ()) -> Circuit | None:
    """Read all figures of the circuit that a recording holds.

    Parameters
    ----------
    source : Samples
        The recording.
    account : Account
    known : KnownBuild
        Of another wave than a sine the shape alone is read.
    findings : sequence of Finding
        Whose causes are ranked.

    Returns
    -------
    Circuit or None
        None where no oscillator is heard.

    Notes
    -----
    Figures never make a verdict. What cannot be known is a quantity without value that says why.
    """
    if not account.is_oscillator or known.wave == "any":
        return None
    pair = channel_pair(source, account)
    if known.wave != "sine":
        return replace(wave_circuit(account, known, findings), channel_pair=pair)
    circuit = replace(_sine_circuit(source, account, known), channel_pair=pair)
    causes = rank_causes(circuit, account, findings, known)
    return replace(circuit, causes=causes, advice=advise(circuit, known))


def _sine_circuit(source: Any, account: Account, known: KnownBuild) -> Circuit:
    """Figures of a sine oscillator, without causes and advice."""
    build, volts, topology = known.settings, known.volts_per_full_scale, known.topology
    if account.mains is not None and account.mains.worth_subtracting:
        source = CleanedCapture(source, account.mains)
    growth = tuple(sorted(find_growth(source, account) + growth_after_steps(account), key=lambda g: g.start_s))
    slew_rate, rising, falling = slew(account, volts)
    slews = slew_rate.value is not None and slew_rate.bound is None

    def read(pole_hz: tuple[float, float] | None) -> tuple[Amplifier | None, str, ExpectedPitch | None, Quantity]:
        found = read_amplifier(account, topology, known.gain_control, build, known.corner_known, pole_hz)
        amplifier, why = (None, found) if isinstance(found, str) else (found, "")
        pulled = amplifier.pulled() if amplifier and not slews else None
        expected = expected_pitch(account, topology, build, slews, pulled)
        return amplifier, why, expected, gain_bandwidth(expected, topology, build, slews)

    amplifier, why, expected, bandwidth = read(None)
    if amplifier and bandwidth.value and bandwidth.sigma and build and build.opamp.gain_bandwidth_hz is None:
        # an amplifier that the pitch shows to be slow has a lag that no usual one has
        amplifier, why, expected, bandwidth = read((bandwidth.value, bandwidth.sigma))
    points = _from_growth(growth, topology, build)
    growth = tuple(_with_gain(item, point) for item, point in zip(growth, points, strict=True))
    from_growth = tuple(
        p for g, p in zip(growth, points, strict=True) if g.kind != "after-step" and not isinstance(p, str)
    )
    along = from_growth + (_from_curve(amplifier) if amplifier else ())
    clips = clip_levels(account, amplifier, volts, known.polarity_known)
    supply = build.supply_v if build else None
    return Circuit(
        growth=growth,
        loop_gain_in_hand=_in_hand(amplifier, points, growth, account, why),
        loop_gain_along=along,
        amplifier_curve=_picture(amplifier, account, known),
        level_loop=level_loop(account, known.gain_control),
        gang_mismatch=_gangs(amplifier, _why_no_gangs(why, known.gain_control), build),
        slew_rate_v_per_us=slew_rate,
        slew_rising=rising,
        slew_falling=falling,
        gain_bandwidth_hz=bandwidth,
        dead_band_v=dead_band(account, volts),
        clip_negative_v=clips[0],
        clip_positive_v=clips[1],
        supply_v=supply,
        headroom_v=headroom_v(clips, peaks_v(account, volts), supply, build.opamp.headroom_v if build else None),
        expected_pitch=expected,
        shape=wave_figures(account, known.wave, topology, build.shaper if build else None, known.corner_known),
    )


def _picture(amplifier: Amplifier | None, account: Account, known: KnownBuild) -> AmplifierCurve | None:
    """The limiter's curve, of an amplifier or between two integrators."""
    if amplifier is not None:
        return curve_of(amplifier, known.volts_per_full_scale)
    if known.topology != "quadrature" or known.gain_control not in WITHOUT_MEMORY:
        return None
    curve = integrators_curve(account, known.volts_per_full_scale)
    return None if isinstance(curve, str) else curve


def _from_growth(growth: tuple[Growth, ...], topology: str | None, build: BuildSettings | None) -> list[Any]:
    """Gain of each growth, or why there is none."""
    network = network_of(topology, build)
    out: list[Any] = []
    for item in growth:
        if isinstance(network, str):
            out.append(network)
            continue
        stated = build.opamp.gain_bandwidth_hz if build else None
        gains = [
            gain_of_growth(network, item.rate_per_s, item.f0_hz, pole)
            for pole in ((stated,) if stated else (*GUESSED_POLE_HZ, None))
        ]
        if any(g is None for g in gains):
            out.append("no gain of this network gives so quick a growth")
            continue
        values = [100 * g for g in gains if g is not None]
        # an ideal amplifier where its pole is not stated: a guess would move the value of blunt loops by all of itself
        middle = values[-1]
        own = abs(middle) * item.sigma_per_s / max(abs(item.rate_per_s), 1e-12)
        # unequal gangs move the per cent by a sixth of theirs
        apart, uncertain = _DYING_GANGS if item.kind == "decay" else _GANGS
        middle *= 1.0 + apart / 6.0
        gangs = abs(middle) * uncertain / 6.0
        pole = _UNSTATED_POLE * (max(values) - min(values))
        sigma = float(np.sqrt(own**2 + gangs**2 + pole**2))
        out.append(
            GainPoint(
                time_s=0.5 * (item.start_s + item.end_s),
                f0_hz=item.f0_hz,
                percent=middle,
                sigma=sigma,
                source=_SOURCES.get(item.kind, "start"),
            )
        )
    return out


def _with_gain(item: Growth, point: GainPoint | str) -> Growth:
    return item if isinstance(point, str) else replace(item, gain_percent=point.percent, gain_sigma_percent=point.sigma)


def _from_curve(amplifier: Amplifier) -> tuple[GainPoint, ...]:
    order = np.argsort(amplifier.time_s, kind="stable")
    columns = (amplifier.time_s, amplifier.f0_hz, amplifier.in_hand_percent, amplifier.in_hand_sigma)
    rows = zip(*(column[order].tolist() for column in columns), strict=True)
    return tuple(GainPoint(time_s=t, f0_hz=f, percent=p, sigma=s, source="curve") for t, f, p, s in rows)


def _in_hand(
    amplifier: Amplifier | None, points: list[Any], growth: tuple[Growth, ...], account: Account, why: str
) -> Quantity:
    """Gain in hand at the start, else where it died, else the median along the take."""
    for kind in ("start", "restart", "decay"):
        for item, point in zip(growth, points, strict=True):
            if item.kind != kind or isinstance(point, str):
                continue
            where = Where(start_s=item.start_s, end_s=item.end_s, f0_low_hz=item.f0_hz, f0_high_hz=item.f0_hz)
            return Quantity(value=point.percent, sigma=point.sigma, where=where, source=kind)
    if amplifier is not None:
        value, sigma = amplifier.median_in_hand
        where_curve = where_of(account, account.shape.rows) if account.shape is not None else None
        return Quantity(value=value, sigma=sigma, where=where_curve, source="curve")
    return unknown(next((p for p in points if isinstance(p, str)), why or "the take shows no start"))


def _why_no_gangs(why: str, gain_control: str | None) -> str:
    if gain_control not in _WITH_MEMORY:
        return why
    return (
        f"not enough to tell: the gain control ({gain_control}) takes up what the gangs ask for; quick moves, each "
        "with a rest, show it as growth after a step"
    )


def _gangs(amplifier: Amplifier | None, why: str, build: BuildSettings | None) -> GangMismatch:
    """Mismatch along the take: in a bridge of equal arms a series arm of R (1 + d) needs a gain of 3 + d."""
    constant = unknown(_CONSTANT)
    if amplifier is None:
        return GangMismatch(spread_percent=unknown(why), constant_percent=constant)
    series_part = amplifier.lines.network.series_part
    if not series_part:
        return GangMismatch(
            spread_percent=unknown("three sections: which of them is off, the level does not tell"),
            constant_percent=constant,
        )
    if amplifier.f0_hz.max() < _ONE_NOTE * amplifier.f0_hz.min():
        return GangMismatch(spread_percent=unknown("the take rests on one note"), constant_percent=constant)
    # in per cent of R2: the median's own mismatch is known as well as the harmonics tell it
    arms, unsure = 100 * (1.0 / series_part + amplifier.fit.common.gangs), 100 * amplifier.fit.gangs_sigma()
    percent = arms * np.expm1(amplifier.log_need)
    sigma = np.hypot(arms * amplifier.need_sigma, unsure * amplifier.log_need)
    c1 = build.parts.get("c1_f") if build else None
    order = np.argsort(amplifier.time_s, kind="stable")
    along = tuple(
        GangPoint(
            time_s=float(amplifier.time_s[i]),
            f0_hz=float(amplifier.f0_hz[i]),
            percent=float(percent[i]),
            sigma=float(sigma[i]),
            ohm=float(percent[i] / 100 / (2 * np.pi * amplifier.f0_hz[i] * c1[0])) if c1 and c1[0] == c1[1] else None,
        )
        for i in order.tolist()
    )
    at_most, at_least = int(np.argmax(percent)), int(np.argmin(percent))
    f0 = sorted((float(amplifier.f0_hz[at_most]), float(amplifier.f0_hz[at_least])))
    times = sorted((float(amplifier.time_s[at_most]), float(amplifier.time_s[at_least])))
    spread = arms * amplifier.need_span
    where = Where(start_s=times[0], end_s=times[1], f0_low_hz=f0[0], f0_high_hz=f0[1])
    return GangMismatch(
        spread_percent=Quantity(
            value=spread,
            sigma=math.hypot(
                arms * amplifier.need_span_sigma, unsure * amplifier.need_span, _SPREAD_SHARE * spread, _LEAST_SPREAD
            ),
            where=where,
            source="curve",
        ),
        constant_percent=constant,
        along=along,
    )
