"""What a check should say of a solved circuit: every kind that its frames can show, judged together."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import expect, truth, waves
from listen.demo.take_specs import TakeSpec, steady
from listen.units import db_from_ratio

Floats = NDArray[np.float64]
ExpectedFindings = list[dict[str, Any]]

SHAPES = ("asymmetric-clipping", "symmetric-clipping", "even-order-distortion", "odd-order-distortion")

LIMITS_BY_CONTROL: dict[str | None, dict[str, tuple[float, float]]] = {
    None: {"thd": (1.0, 3.0), "level": (1.0, 3.0)},
    "diodes": {"thd": (2.5, 6.0), "level": (3.0, 8.0)},
    "lamp": {"thd": (0.3, 1.0), "level": (1.0, 3.0)},
}


@lru_cache(maxsize=2)
def _hard_clip(half: str) -> tuple[Floats, Floats]:
    """Return crest losses of hard clips, in percent, and their flat spans over a sine's."""
    phase = np.linspace(0.0, 2.0 * np.pi, 8192, endpoint=False)
    rows = []
    for limit in np.linspace(0.999, 0.4, 120):
        high, low, flat, _, _ = truth.cycle_shape(waves.clip(np.cos(phase), limit, half))  # type: ignore[arg-type]
        rows.append((100.0 * (1.0 - (high if half == "both" else high / low)), flat))
    table = np.array(rows)
    order = np.argsort(table[:, 0])
    return table[order, 0], table[order, 1]


def flat_share(loss_percent: float, flat: float, half: str) -> float:
    """Return how flattened a half is: 0 a sine's span, 1 a hard clip's at the same crest loss."""
    losses, flats = _hard_clip("both" if half == "both" else "positive")
    hard = float(np.interp(loss_percent, losses, flats))
    return (flat - 1.0) / max(hard - 1.0, 1e-3)


def _limits(spec: TakeSpec, what: str) -> tuple[float, float]:
    return LIMITS_BY_CONTROL.get(spec.gain_control, LIMITS_BY_CONTROL[None])[what]


def _worst(values: Floats, good: NDArray[np.bool_]) -> tuple[float, int]:
    filled = np.where(good & np.isfinite(values), values, -np.inf)
    row = int(np.argmax(filled))
    return float(filled[row]), row


def shape(m: truth.Measured, spec: TakeSpec) -> ExpectedFindings:
    """Judge clipping and curvature; one cause, one finding, and its near twin accepted when the share is between."""
    good = m.oscillating
    found: ExpectedFindings = []
    asymmetric = False
    for half, flat in (("positive", m.flat_positive), ("negative", m.flat_negative)):
        loss = expect.crest_loss_percent(m, half)
        worst, row = _worst(loss, good)
        if worst < 1.6:
            continue
        share = flat_share(worst, float(flat[row]), half)
        also = ("even-order-distortion",) if share < 0.65 else ()
        items = expect.over_limit(
            "asymmetric-clipping",
            loss,
            m,
            (2.0, 8.0),
            half=half,
            also=also,
            value_name="crest_loss_percent",
            evidence={"flat_span_over_sine": float(flat[row]), "flat_share": share},
        )
        asymmetric = asymmetric or any(item["severity"] != "allowed" for item in items)
        found += items
    loss = expect.crest_loss_percent(m, "both")
    worst, row = _worst(loss, good)
    share = flat_share(worst, float(m.flat_positive[row]), "both") if worst > 1.6 else 0.0
    flattened = worst > 1.6 and share >= 0.5 and not asymmetric
    if flattened:
        also = ("odd-order-distortion",) if share < 0.65 else ()
        found += expect.over_limit(
            "symmetric-clipping", loss, m, (2.0, 8.0), half="both", also=also, value_name="crest_loss_percent"
        )
    elif worst > 1.6:
        found.append(expect.allowed("symmetric-clipping", f"crest loss {worst:.2f} %, share {share:.2f}"))
    return found + _parity(m, spec, asymmetric=asymmetric, flattened=flattened, both_flattened=worst > 1.6)


def _parity(
    m: truth.Measured, spec: TakeSpec, *, asymmetric: bool, flattened: bool, both_flattened: bool
) -> ExpectedFindings:
    """Judge even and odd harmonics that no clipping explains."""
    limits = _limits(spec, "thd")
    found: ExpectedFindings = []
    for kind, part, name in (
        ("even-order-distortion", m.even, "even_percent"),
        ("odd-order-distortion", m.odd, "odd_percent"),
    ):
        items = expect.over_limit(
            kind,
            100.0 * part,
            m,
            limits,
            value_name=name,
            also=("symmetric-clipping",) if both_flattened and kind[0] == "o" else (),
        )
        if asymmetric or (flattened and kind[0] == "o"):
            found += [expect.allowed(kind, "comes with the clipping") for _ in items[:1]]
        else:
            found += items
    return found


def level(m: truth.Measured, spec: TakeSpec, inside: NDArray[np.bool_]) -> ExpectedFindings:
    """Judge how the level is held over the frames that ``inside`` keeps (not starting, not dying)."""
    good = inside & m.oscillating
    if np.count_nonzero(good) < 10:
        return []
    db = db_from_ratio(np.where(good, m.amplitude_fs, np.nan))
    span = float(np.nanmax(db) - np.nanmin(db))
    limits = _limits(spec, "level")
    if span < 0.85 * limits[0]:
        return []
    pieces = expect.intervals(m.time_s, good & (np.abs(db - np.nanmedian(db)) > min(1.0, 0.35 * span)))
    if span < 1.2 * limits[0] or not pieces:
        return [expect.allowed("level-drift", f"span {span:.2f} dB")]
    severity = "fault" if span >= limits[1] else "attention"
    return [expect.finding("level-drift", severity, pieces, evidence={"span_db": span})]


def alive(m: truth.Measured) -> NDArray[np.bool_]:
    """Frames at more than a tenth of the settled level."""
    amplitude = np.nan_to_num(m.amplitude_fs)
    return np.asarray(amplitude > 0.1 * np.nanquantile(amplitude, 0.9))


def dropout(m: truth.Measured, spec: TakeSpec) -> ExpectedFindings:
    """Judge whether it dies after it once stood."""
    up = alive(m)
    if not np.any(up):
        return []
    first = int(np.argmax(up))
    dead = ~up
    dead[:first] = False
    pieces = [[a, b] for a, b in expect.intervals(m.time_s, dead) if b - a >= 0.08]
    if not pieces:
        return []
    last = float(m.time_s[-1])
    if pieces[-1][1] > last - 0.05:
        pieces[-1][1] = spec.control.end_s
    reasons = ("slow-start", "amplitude-bounce", "level-drift", "pitch-instability", "amplitude-hunting")
    return [
        expect.finding("oscillation-dropout", "fault", pieces),
        *(expect.allowed(kind, "around the dropout") for kind in reasons),
    ]


def hunting(m: truth.Measured, spec: TakeSpec, *, settle_s: float = 0.5) -> ExpectedFindings:
    """Judge the envelope's movement in the rests, their beginnings left out."""
    worst, pieces = 0.0, []
    for start, end in spec.control.held_s():
        inside = (m.time_s > start + settle_s) & (m.time_s < end) & m.oscillating
        if np.count_nonzero(inside) < 20:
            continue
        values = m.amplitude_fs[inside]
        depth = 100.0 * float((values.max() - values.min()) / (values.max() + values.min()))
        worst = max(worst, depth)
        if depth >= 1.0:
            pieces.append([round(start, 3), round(end, 3)])
    if worst < 0.85:
        return []
    extra = [
        expect.allowed(kind, "the level moves")
        for kind in ("level-drift", "pitch-instability", "oscillation-dropout", "amplitude-bounce")
    ]
    if worst < 1.15 or not pieces:
        return [expect.allowed("amplitude-hunting", f"depth {worst:.2f} %"), *extra]
    severity = "fault" if worst >= 5.0 else "attention"
    return [expect.finding("amplitude-hunting", severity, pieces, evidence={"depth_percent": worst}), *extra]


def bounce(m: truth.Measured, spec: TakeSpec) -> ExpectedFindings:
    """Judge jump and settling of the level after each step of the control."""
    steps_s = spec.control.retunes_s()
    db = db_from_ratio(np.maximum(np.nan_to_num(m.amplitude_fs, nan=1e-9), 1e-9))
    worst_db, worst_s, pieces = 0.0, 0.0, []
    for index, step_s in enumerate(steps_s):
        end = steps_s[index + 1] if index + 1 < len(steps_s) else spec.control.end_s - 0.13
        inside = (m.time_s > step_s) & (m.time_s < end - 0.01)
        if np.count_nonzero(inside) < 20:
            continue
        time_s, away = m.time_s[inside], np.abs(db[inside] - np.median(db[inside][-8:]))
        settled = float(time_s[away > 0.5][-1] - step_s) if np.any(away > 0.5) else 0.0
        if settled > 0.0:
            pieces.append([round(step_s, 3), round(step_s + max(settled, 0.05), 3)])
        worst_db, worst_s = max(worst_db, float(away.max())), max(worst_s, settled)
    ratio = max(worst_db / 1.0, worst_s / 0.5)
    if ratio < 0.8 or not pieces:
        return []
    extra = [
        expect.allowed(kind, "after a retune") for kind in ("level-drift", "amplitude-hunting", "pitch-instability")
    ]
    text = f"{worst_db:.2f} dB, {worst_s:.2f} s"
    if ratio < 1.25 or spec.gain_control == "lamp":
        return [expect.allowed("amplitude-bounce", text), *extra]
    severity = "fault" if worst_db >= 3.0 or worst_s >= 2.0 else "attention"
    evidence = {"deviation_db": worst_db, "settle_s": worst_s}
    # What rings for as long as the step is held has not settled: it may as well be called hunting.
    hold_s = min(np.diff([*steps_s, spec.control.end_s]))
    also = ("amplitude-hunting",) if worst_s > 0.6 * hold_s else ()
    return [expect.finding("amplitude-bounce", severity, pieces, also=also, evidence=evidence), *extra]


def after_strokes(m: truth.Measured, spec: TakeSpec) -> ExpectedFindings:
    """Allow a bounce where the level is still on its way when the hand comes to rest."""
    for begin, end in spec.control.held_s():
        inside = (m.time_s > begin) & (m.time_s < min(end, begin + 1.5)) & m.oscillating
        if begin < 0.2 or np.count_nonzero(inside) < 20:
            continue
        db = db_from_ratio(m.amplitude_fs[inside])
        away = float(np.max(np.abs(db - np.median(db[-8:]))))
        if away > 0.7:
            kinds = ("amplitude-bounce", "amplitude-hunting", "level-drift", "pitch-instability")
            return [expect.allowed(kind, f"{away:.2f} dB to settle after a stroke") for kind in kinds]
    return []


def start(m: truth.Measured, power_s: float) -> ExpectedFindings:
    """Judge the growth from the moment of power, 1 % to 90 % of the settled level."""
    amplitude = np.nan_to_num(m.amplitude_fs)
    after = m.time_s >= power_s
    # What counts is the level where the growth ends, not what the tuning makes of it later.
    grows = np.gradient(db_from_ratio(np.maximum(amplitude, 1e-9)), m.time_s) > 3.0
    stands = after & ~grows & (amplitude > 0.1 * np.max(amplitude))
    if not np.any(stands):
        return []
    first = int(np.argmax(stands))
    settled = float(np.median(amplitude[first : first + 10]))
    over_one = m.time_s[after & (amplitude >= 0.01 * settled)]
    over_ninety = m.time_s[after & (amplitude >= 0.9 * settled)]
    if len(over_one) == 0 or len(over_ninety) == 0:
        return []
    begin, end = float(over_one[0]), float(over_ninety[0])
    extra = [
        expect.allowed("level-drift", "the start"),
        expect.allowed("oscillation-dropout", "silence before the start"),
    ]
    if end - begin < 0.4:
        return []
    if end - begin < 0.6:
        return [expect.allowed("slow-start", f"{end - begin:.2f} s"), *extra]
    severity = "fault" if end - begin >= 2.0 else "attention"
    evidence = {"rise_s": end - begin, "t90_s": end}
    return [expect.finding("slow-start", severity, [[begin, end]], evidence=evidence), *extra]


def slewing(m: truth.Measured, _spec: TakeSpec) -> ExpectedFindings:
    """Judge slopes held to a constant: crests above a sine's, slopes short of the fundamental's own."""
    short = 100.0 * (1.0 - m.slope_over_sine)
    found = expect.over_limit("slew-limiting", short, m, (8.0, 15.0), value_name="slope_short_percent")
    if found:
        reasons = ("odd-order-distortion", "even-order-distortion", "level-drift", "symmetric-clipping")
        found += [expect.allowed(kind, "comes with the slewing") for kind in reasons]
    return found


def circuit(m: truth.Measured, spec: TakeSpec) -> ExpectedFindings:
    """Judge shape, level, dropouts, hunting and bounce of a circuit that was running."""
    if not np.any(m.oscillating):
        return [expect.finding("oscillation-absent", "fault", [[0.0, round(spec.control.end_s, 3)]])]
    up = alive(m)
    # A cycle that grows or dies has lopsided crests by its growth alone: shape is judged where the level stands.
    m_up, m_steady = only(m, up), only(m, up & steady(m))
    found = dropout(m, spec)
    if spec.control.retunes_s():
        found += bounce(m, spec)
    else:
        found += hunting(m_up, spec) + after_strokes(m_up, spec)
    slews = slewing(m_up, spec)
    found += slews if slews else shape(m_steady, spec)
    if any(item["kind"] == "amplitude-hunting" for item in found):
        found += [expect.allowed(kind, "the level swings") for kind in SHAPES]
    found += level(m, spec, up & steady(m))
    return merge(found)


def recipe(m: truth.Measured, spec: TakeSpec, power_s: float) -> ExpectedFindings:
    """Judge a take that begins in silence: the start first, all else from the moment that the level stands."""
    amplitude = np.nan_to_num(m.amplitude_fs)
    grows = np.gradient(db_from_ratio(np.maximum(amplitude, 1e-9)), m.time_s) > 3.0
    stands = (m.time_s >= power_s) & ~grows & (amplitude > 0.1 * np.max(amplitude))
    if not np.any(stands):
        return start(m, power_s)
    settled = only(m, m.time_s > m.time_s[np.argmax(stands)])
    found = start(m, power_s) + shape(settled, spec)
    return merge(found + level(settled, spec, settled.oscillating & steady(m)))


def only(m: truth.Measured, keep: NDArray[np.bool_]) -> truth.Measured:
    """Return the frames with the pitch of all others emptied, so that they count as silent."""
    return replace(m, f0_hz=np.where(keep, m.f0_hz, np.nan))


def merge(found: ExpectedFindings) -> ExpectedFindings:
    """Drop expectations of kinds that another finding already explains."""
    excused = {item["kind"] for item in found if item["severity"] == "allowed"}
    return [item for item in found if item["severity"] == "allowed" or item["kind"] not in excused]
