"""Causes that bend the wave: rails, curvature, a dead band, a slope that is held."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from listen.demo.expect_circuit import flat_share
from tests.takes import cycles
from tests.takes.board import Board, Claim, Reading, Rendered
from tests.takes.cycles import PHASE, Stage
from tests.takes.families.shape import clip_limit
from tests.takes.needs import Cause, Needs, Order
from tests.takes.truths import limits_of, reached

Floats = NDArray[np.float64]
Rng = np.random.Generator

HALF_SURE_RATIO = 12.0
"""Below so many times the input's corner its phase may swap the halves: none is demanded."""

CURVED_BELOW, FLAT_ABOVE = 0.42, 0.58
"""Share of a hard clip's flat span: between these both names are right (flattened from 0.5)."""


def _over(take: Rendered, values: Floats, limit: float) -> tuple[float, float]:
    """First and last time at which a measure stands over its limit."""
    times_s = take.time_s[take.frames][values >= limit]
    return (float(times_s[0]), float(times_s[-1])) if len(times_s) else (take.start_s, take.end_s)


def _half_is_sure(take: Rendered, over: NDArray[np.bool_]) -> bool:
    corner_hz = take.board.recorder.ac_coupling_hz
    f0_hz = take.frame_f0_hz[over]
    return bool(len(f0_hz)) and float(np.median(f0_hz)) > HALF_SURE_RATIO * corner_hz


def soft_minimum(wave: Floats, limit: Floats | float, knee: float) -> Floats:
    """Cut at a limit, with a parabola over +-knee as a rail takes over."""
    near = np.maximum(knee - np.abs(wave - limit), 0.0)
    return np.asarray(np.minimum(wave, limit) - near * near / (4.0 * knee))


def rails(half: str, limit: float, knee: float) -> cycles.Bent:
    """Return a stage that cannot leave its rails."""

    def bend(wave: Floats, _f0: Floats, _level: Floats) -> Floats:
        if half in ("positive", "both"):
            wave = soft_minimum(wave, limit, knee)
        if half in ("negative", "both"):
            wave = -soft_minimum(-wave, limit, knee)
        return wave

    return bend


def _gang_toward_rail(board: Board, rng: Rng) -> None:
    """Let the level rise gently toward one end of the turn: only there it meets the rail."""
    span_db = float(rng.uniform(0.45, 0.75))
    low, octaves = board.play.low_hz, np.log2(board.play.high_hz / board.play.low_hz)
    falling = rng.random() < 0.3

    def law(_time_s: Floats, f0_hz: Floats) -> Floats:
        place = np.clip(np.log2(f0_hz / low) / octaves, 0.0, 1.0)
        return np.asarray(-span_db * (place if falling else 1.0 - place))

    board.drive_db.append(law)
    board.values["toward_rail_db"] = round(-span_db if falling else span_db, 3)


def _peak_before(board: Board, half: str) -> float:
    """Peak that reaches the rails at the settled drive, wherever on the turn it is largest; 1 for a sine."""
    f0_hz = np.geomspace(board.play.low_hz, board.play.high_hz, 5)
    waves = cycles.run([s for s in board.stages if s.kind], f0_hz, np.ones(5))
    tops = {"positive": waves.max(axis=1), "negative": -waves.min(axis=1)}
    return float(np.max(tops[half]) if half in tops else min(np.max(tops["positive"]), np.max(tops["negative"])))


def clipping(kind: str) -> Callable[[Board, Rng, Order], None]:
    """Return the builder of a flattened half, or of both."""

    def build(board: Board, rng: Rng, order: Order) -> None:
        attention, fault = limits_of(kind, board.gain_control)
        half = "both" if kind == "symmetric-clipping" else str(rng.choice(["positive", "negative"]))
        loss = attention * order.times
        peak = _peak_before(board, half)
        limit = clip_limit(loss, half) * peak
        knee = float(rng.choice([0.0005, 0.002, 0.005]))
        if not order.company and rng.random() < 0.6:
            _gang_toward_rail(board, rng)
        board.stages.append(
            Stage(kind=kind, bend=rails(half, limit, knee), half=half, values={"limit": round(limit, 5), "knee": knee})
        )

        def read(take: Rendered) -> Reading:
            all_told = take.measures().crest_loss_percent(half)
            # A rail alone is no measure where a bent wave meets it.
            alone = take.measures((kind,)).crest_loss_percent(half) if abs(peak - 1.0) < 0.005 else all_told
            start_s, end_s = _over(take, all_told, attention)
            sure = half != "both" and _half_is_sure(take, all_told >= attention)
            return Reading(
                value=reached(alone), combined=reached(all_told), limit=attention, fault=fault,
                start_s=start_s, end_s=end_s, half=half if sure or half == "both" else None,
            )  # fmt: skip

        board.claims.append(Claim(kind=kind, read=read))

    return build


def _curve(kind: str, form: str, amount: float, board: Board, rng: Rng) -> Stage:
    """Return a curvature whose even or odd part is about ``amount`` at the settled level."""
    low, high = board.play.low_hz, board.play.high_hz
    sign = float(rng.choice([-1.0, 1.0]))
    values: dict[str, float | str] = {"form": form, "sign": sign}
    if form == "ripple":
        # The detector's ripple at f0 or 2 f0 modulates the gain: worse toward low notes, and it leans.
        number = 2 if kind.startswith("even") else 3
        turn = sign * float(rng.uniform(1.25, 1.9) if number == 2 else rng.uniform(1.6, 2.6))
        extra = np.cos(number * PHASE + turn)
        return Stage(
            kind=kind, linear=True, values=values,
            bend=lambda wave, f0, level: wave + level * (amount * (low / np.maximum(f0, low))) * extra,
        )  # fmt: skip
    onset = low * (high / low) ** float(rng.uniform(0.25, 0.5)) if form == "rising" else 0.0
    values["onset_hz"] = round(onset, 2)

    def bite(f0: Floats) -> Floats:
        if onset == 0.0:
            return np.ones_like(f0)
        return np.clip(np.log2(f0 / onset) / np.log2(high * 0.94 / onset), 0.0, 1.0)

    if kind.startswith("even"):
        if form == "channel":
            bent: cycles.Bent = lambda x, _f0, _l: _coupled(x / (1.0 - sign * 2.0 * amount * x))  # noqa: E731
        else:
            bent = lambda x, f0, _l: _coupled(x + sign * 2.0 * amount * bite(f0) * x * x)  # noqa: E731
        return Stage(kind=kind, values=values, bend=bent)
    if form == "pair":
        drive = np.sqrt(12.0 * amount / (1.0 - 6.0 * amount))
        return Stage(kind=kind, values=values, bend=lambda x, _f0, _l: np.tanh(drive * x) / drive)
    cubic = 4.0 * amount / (1.0 + 3.0 * amount)
    return Stage(kind=kind, values=values, bend=lambda x, f0, _l: x - cubic * bite(f0) * x**3)


def _coupled(wave: Floats) -> Floats:
    """Take the mean off, as the capacitor between two stages does."""
    return np.asarray(wave - wave.mean(axis=1, keepdims=True))


def curvature(kind: str) -> Callable[[Board, Rng, Order], None]:
    """Return the builder of even or odd curvature without a flat span."""
    even = kind.startswith("even")

    def build(board: Board, rng: Rng, order: Order) -> None:
        attention, fault = limits_of(kind, board.gain_control)
        forms = ["plain", "channel" if even else "pair"] + ([] if order.company else ["rising", "ripple"])
        stage = _curve(kind, str(rng.choice(forms)), 0.01 * attention * order.times, board, rng)
        board.stages.append(stage)

        def read(take: Rendered) -> Reading:
            alone, all_told = take.measures((kind,)), take.measures()
            of_alone = alone.even_percent if even else alone.odd_percent
            of_all = all_told.even_percent if even else all_told.odd_percent
            start_s, end_s = _over(take, of_all, attention)
            return Reading(
                value=reached(of_alone), combined=reached(of_all), limit=attention, fault=fault,
                start_s=start_s, end_s=end_s, also_accepted=_flat_names(alone, even) + _with_rails(board, even),
            )  # fmt: skip

        board.claims.append(Claim(kind=kind, read=read))

    return build


def _with_rails(board: Board, even: bool) -> tuple[str, ...]:
    """A lopsided wave between equal rails is cut more on one half: that, too, may be said of it."""
    both = any(stage.half == "both" for stage in board.stages)
    return ("asymmetric-clipping",) if even and both else ()


def _flat_names(alone: cycles.Measures, even: bool) -> tuple[str, ...]:
    """Names of flattening that a strong curvature may bear as well."""
    halves = ("positive", "negative") if even else ("both",)
    for half in halves:
        loss = alone.crest_loss_percent(half)
        worst = int(np.argmax(loss))
        flat = (alone.flat_negative if half == "negative" else alone.flat_positive)[worst]
        if loss[worst] > 1.7 and flat_share(float(loss[worst]), float(flat), half) > CURVED_BELOW:
            return ("asymmetric-clipping",) if even else ("symmetric-clipping",)
    return ()


def crossover(board: Board, rng: Rng, order: Order) -> None:
    """Build a class-B stage with too little bias: nothing passes near zero."""
    kind = "crossover-distortion"
    attention, fault = limits_of(kind, board.gain_control)
    share = 0.01 * attention * order.times
    width = share / (1.0 + share)
    low, high = board.play.low_hz, board.play.high_hz
    onset = 0.0 if order.company or rng.random() < 0.5 else low * (high / low) ** float(rng.uniform(0.2, 0.45))

    def band(f0: Floats) -> Floats:
        if onset == 0.0:
            return np.full_like(f0, width)
        return width * np.clip(np.log2(f0 / onset) / np.log2(high * 0.94 / onset), 0.0, 1.0)

    def bend(wave: Floats, f0: Floats, _level: Floats) -> Floats:
        return np.sign(wave) * np.maximum(np.abs(wave) - band(f0), 0.0)

    board.stages.append(Stage(kind=kind, bend=bend, values={"width": round(width, 5), "onset_hz": round(onset, 2)}))

    def read(take: Rendered) -> Reading:
        level = take.level[take.frames]
        half_width = band(take.frame_f0_hz)
        share_percent = 100.0 * half_width / np.maximum(level - half_width, 1e-6)
        start_s, end_s = _over(take, share_percent, attention)
        return Reading(value=reached(share_percent), limit=attention, fault=fault, start_s=start_s, end_s=end_s)

    board.claims.append(Claim(kind=kind, read=read))


def _short_percent(over: float) -> float:
    """How far the steepest slope stays short at f0 over the full-power frequency ``over``: solved."""
    cycle = np.cos(PHASE)[None, :]
    out = np.empty_like(cycle)
    cycles.slewed_cycles(cycle, np.ones(1), 2.0 * np.pi / over, out)
    return float(100.0 * (1.0 - cycles.measure(out, np.ones(1), 1e6).slope_over_sine[0]))


_OVER = np.linspace(1.0, 1.85, 40)


def over_for(short_percent: float) -> float:
    """Return f0 over the full-power frequency that leaves the slope so far short."""
    if not hasattr(over_for, "table"):
        over_for.table = np.array([_short_percent(float(o)) for o in _OVER])  # type: ignore[attr-defined]
    return float(np.interp(short_percent, over_for.table, _OVER))  # type: ignore[attr-defined]


def slewing(board: Board, _rng: Rng, order: Order) -> None:
    """Build an amplifier that is too slow for its level at the top; a full triangle is 21.5 % short and no more."""
    kind = "slew-limiting"
    attention, fault = limits_of(kind, board.gain_control)
    short = attention * order.times if order.times <= 2.0 else 2.0 * attention + 1.4 * (order.times - 2.0)
    over = over_for(short)
    top_hz = np.array([board.play.high_hz])
    drive = 10.0 ** (sum(float(law(np.zeros(1), top_hz)[0]) for law in board.drive_db) / 20.0)
    before = cycles.run([s for s in board.stages if s.kind], top_hz, np.array([drive]))
    amplitude = float(cycles.measure(before, top_hz, board.rate_hz).amplitude[0])
    slope_per_s = 2.0 * np.pi * board.play.high_hz / over * amplitude

    def bend(wave: Floats, f0: Floats, _level: Floats) -> Floats:
        out = np.empty_like(wave)
        cycles.slewed_cycles(np.ascontiguousarray(wave), np.ascontiguousarray(f0[:, 0]), slope_per_s, out)
        return out

    values: dict[str, float | str] = {"slope_per_s": round(slope_per_s, 1), "over": round(over, 4)}
    # The gain element bends the wave before the amplifier slews; its output stage and its rails come after.
    board.stages.append(Stage(kind=kind, bend=bend, keen=True, values=values))

    def read(take: Rendered) -> Reading:
        all_told = 100.0 * (1.0 - take.measures().slope_over_sine)
        alone = all_told
        if abs(amplitude / drive - 1.0) < 0.005:
            alone = 100.0 * (1.0 - take.measures((kind,)).slope_over_sine)
        start_s, end_s = _over(take, alone, attention)
        return Reading(
            value=reached(alone), combined=reached(all_told), limit=attention, fault=fault, start_s=start_s, end_s=end_s
        )

    board.claims.append(Claim(kind=kind, read=read))


def _clip_needs(_rng: Rng, _order: Order) -> Needs:
    return Needs(lowest_hz=70.0)


def _slew_needs(_rng: Rng, _order: Order) -> Needs:
    return Needs(lowest_hz=100.0, top_at_least_hz=1400.0, top_share=1 / 12, rates_hz=(48000, 96000, 96000))


CAUSES = (
    Cause(kind="asymmetric-clipping", needs=_clip_needs, build=clipping("asymmetric-clipping"), group="shape"),
    Cause(kind="symmetric-clipping", needs=_clip_needs, build=clipping("symmetric-clipping"), group="shape"),
    Cause(kind="even-order-distortion", needs=_clip_needs, build=curvature("even-order-distortion"), group="shape"),
    Cause(kind="odd-order-distortion", needs=_clip_needs, build=curvature("odd-order-distortion"), group="shape"),
    Cause(kind="crossover-distortion", needs=_clip_needs, build=crossover, group="shape"),
    Cause(kind="slew-limiting", needs=_slew_needs, build=slewing, group="shape"),
)
