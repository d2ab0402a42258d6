"""Random takes whose wave is bent: clipped, curved, with a dead band, slewed."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from listen.demo import expect, truth, waves
from listen.demo.take_specs import TakeSpec
from tests.takes.families import pick

Floats = NDArray[np.float64]
Rng = np.random.Generator

ODD_EVEN = {"even-order-distortion": "comes with a lopsided wave", "odd-order-distortion": "comes with it"}


def _frame(rng: Rng, **fixed: Any) -> tuple[Any, float, float, Any]:
    rec = pick.interface(rng, **fixed)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz)
    control = pick.any_control(rng, low, high, float(rng.uniform(4.0, 8.0)))
    return rec, low, high, control


def clip_limit(loss_percent: float, half: str) -> float:
    """Return the level at which a sine of peak 1 must be cut to lose so much of a crest."""
    phase = np.linspace(0.0, 2.0 * np.pi, 4096, endpoint=False)

    def loss(limit: float) -> float:
        high, low, *_ = truth.cycle_shape(waves.clip(np.cos(phase), limit, "both" if half == "both" else "positive"))
        return 100.0 * (1.0 - (high if half == "both" else high / low)) - loss_percent

    return float(brentq(loss, 0.2, 0.99999))


def one_half_clipped(rng: Rng) -> TakeSpec:
    """One half cut after the loop, hard or with a small knee."""
    rec, low, high, control = _frame(rng)
    half = str(rng.choice(["positive", "negative"]))
    loss = pick.depth(rng, 2.0, 8.0, heavy=float(rng.uniform(12.0, 30.0)))
    law, text = pick.where(rng, low, high)
    limit = clip_limit(loss, half)
    knee = 0.0 if rng.random() < 0.5 else float(rng.uniform(0.002, 0.008))

    def shape(phase: Floats, f0_hz: Floats, _rate: float) -> Floats:
        ceiling = 1.08 - law(f0_hz) * (1.08 - limit)
        if knee > 0.0:
            return waves.soft_clip(np.cos(phase), ceiling, half, knee)  # type: ignore[arg-type]
        return waves.clip(np.cos(phase), ceiling, half)  # type: ignore[arg-type]

    def judge(m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        return expect.over_limit(
            "asymmetric-clipping",
            expect.crest_loss_percent(m, half),
            m,
            (2.0, 8.0),
            half=half,
            value_name="crest_loss_percent",
        ) + expect.level_follows(m)

    allowed = ODD_EVEN if loss > 1.8 else {}
    return TakeSpec(
        family="clip-one-half",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=shape,
        expect=judge,
        allowed=allowed,
        values={"half": half, "loss_percent": loss, "where": text, "knee": knee},
    )


def both_halves_clipped(rng: Rng) -> TakeSpec:
    """Both halves cut alike."""
    rec, low, high, control = _frame(rng)
    loss = pick.depth(rng, 2.0, 8.0, heavy=float(rng.uniform(9.0, 14.0)))
    law, text = pick.where(rng, low, high)
    limit = clip_limit(loss, "both")
    knee = float(rng.uniform(0.001, 0.006))

    def shape(phase: Floats, f0_hz: Floats, _rate: float) -> Floats:
        return waves.soft_clip(np.cos(phase), 1.08 - law(f0_hz) * (1.08 - limit), "both", knee)

    def judge(m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        return (
            expect.over_limit(
                "symmetric-clipping",
                expect.crest_loss_percent(m, "both"),
                m,
                (2.0, 8.0),
                half="both",
                value_name="crest_loss_percent",
            )
            + expect.level_follows(m)
            + ([expect.allowed("odd-order-distortion", "comes with it")] if loss > 1.3 else [])
        )

    return TakeSpec(
        family="clip-both-halves",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=shape,
        expect=judge,
        values={"loss_percent": loss, "where": text},
    )


def unevenly_clipped(rng: Rng) -> TakeSpec:
    """Both halves cut, one much more: the deeper half is to be named."""
    rec, low, high, control = _frame(rng)
    half = str(rng.choice(["positive", "negative"]))
    other = "negative" if half == "positive" else "positive"
    deep, shallow = float(rng.uniform(0.70, 0.82)), float(rng.uniform(0.93, 0.97))
    law, text = pick.where(rng, low, high)

    def shape(phase: Floats, f0_hz: Floats, _rate: float) -> Floats:
        bite = law(f0_hz)
        wave = waves.soft_clip(np.cos(phase), 1.08 - bite * (1.08 - deep), half, 0.004)  # type: ignore[arg-type]
        return waves.soft_clip(wave, 1.08 - bite * (1.08 - shallow), other, 0.004)  # type: ignore[arg-type]

    def judge(m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        return expect.over_limit(
            "asymmetric-clipping",
            expect.crest_loss_percent(m, half),
            m,
            (2.0, 8.0),
            half=half,
            value_name="crest_loss_percent",
        ) + expect.level_follows(m)

    return TakeSpec(
        family="clip-uneven",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=shape,
        expect=judge,
        allowed=ODD_EVEN | {"symmetric-clipping": "both halves are cut"},
        values={"half": half, "where": text},
    )


def gap_at_zero(rng: Rng) -> TakeSpec:
    """A dead band around zero."""
    rec, low, high, control = _frame(rng)
    width = pick.depth(rng, 0.01, 0.04, heavy=float(rng.uniform(0.08, 0.2)))
    law, text = pick.where(rng, low, high)

    def shape(phase: Floats, f0_hz: Floats, _rate: float) -> Floats:
        return waves.dead_band(np.cos(phase), width * law(f0_hz))

    def judge(m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        band = 100.0 * width * law(m.f0_hz) / (1.0 - width * law(m.f0_hz))
        found = expect.over_limit("crossover-distortion", band, m, (1.0, 4.0), value_name="dead_band_percent")
        found += expect.level_follows(m)
        return found + ([expect.allowed("odd-order-distortion", "comes with it")] if width > 0.012 else [])

    return TakeSpec(
        family="dead-band",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=shape,
        expect=judge,
        values={"width": width, "where": text},
    )


def curved(rng: Rng) -> TakeSpec:
    """Even or odd curvature without a flat span: square law, leaning, cubic, tanh, peaked, mixed."""
    rec, low, high, control = _frame(rng)
    kind = str(rng.choice(["square", "square", "leaning", "cubic", "tanh", "peaked", "mixed"]))
    thd = pick.depth(rng, 1.0, 3.0, heavy=float(rng.uniform(4.0, 8.0)))
    sign = float(rng.choice([-1.0, 1.0]))
    law, text = pick.where(rng, low, high)
    amount = thd / 100.0
    stated = None if rng.random() < 0.8 else "diodes"

    def shape(phase: Floats, f0_hz: Floats, _rate: float) -> Floats:
        x, bite = np.cos(phase), amount * law(f0_hz)
        if kind == "square":
            return x + 2.0 * sign * bite * x * x
        if kind == "leaning":
            return x + bite * np.cos(2.0 * phase + sign * 0.5 * np.pi)
        if kind == "peaked":
            return x + bite * np.cos(3.0 * phase)
        if kind == "mixed":
            return x + 2.0 * sign * 1.4 * bite * x * x - bite * np.cos(3.0 * phase)
        if kind == "tanh":
            drive = np.sqrt(12.0 * bite) + 1e-4
            return np.tanh(drive * x) / np.tanh(drive)
        return x - bite * np.cos(3.0 * phase)

    def judge(m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        limits = (2.5, 6.0) if stated == "diodes" else (1.0, 3.0)
        losses = {half: expect.crest_loss_percent(m, half) for half in ("positive", "negative", "both")}
        flat = {half for half, loss in losses.items() if np.nanmax(loss) > 1.7}
        found: list[dict[str, Any]] = expect.level_follows(m)
        # A curved half does lose some of its crest: naming it is as right as naming the curvature.
        even_also = ("asymmetric-clipping",) if flat & {"positive", "negative"} else ()
        odd_also: tuple[str, ...] = ("symmetric-clipping",) if "both" in flat else ()
        if kind == "peaked":
            # A third harmonic in phase makes the wave pointed, as slewing and a dead band do.
            odd_also = ("slew-limiting", "crossover-distortion")
        found += expect.over_limit(
            "even-order-distortion", 100.0 * m.even, m, limits, also=even_also, value_name="even_percent"
        )
        found += expect.over_limit(
            "odd-order-distortion", 100.0 * m.odd, m, limits, also=odd_also, value_name="odd_percent"
        )
        if thd > 0.8:
            found += [expect.allowed(kind, "part of the crest is lost") for kind in (*even_also, *odd_also)]
        if kind == "peaked" and thd > 1.5:
            found.append(expect.allowed("crossover-distortion", "a peaked wave looks a little like it"))
        if kind == "peaked" and thd > 1.0:
            found.append(expect.allowed("slew-limiting", "a peaked wave looks a little like it"))
        return found

    return TakeSpec(
        family=f"curved-{kind}",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=shape,
        expect=judge,
        gain_control=stated,
        values={"thd_percent": thd, "where": text, "sign": sign},
    )


def slewed(rng: Rng) -> TakeSpec:
    """An ideal follower with a slope limit that the pitch runs into."""
    rec = pick.interface(rng, sample_rate_hz=int(rng.choice([48000, 96000, 96000])))
    high = pick.log_uniform(rng, 1500.0, rec.sample_rate_hz / 12.0)
    low = high / 2.0 ** float(rng.uniform(1.5, 3.0))
    control = pick.any_control(rng, low, high, float(rng.uniform(4.0, 7.0)))
    over = float(rng.choice([1.03, 1.12, 1.2, 1.35, 1.8, 2.3]))
    full_power_hz = high / over

    def shape(phase: Floats, _f0: Floats, rate_hz: float) -> Floats:
        step = 2.0 * np.pi * full_power_hz / rate_hz
        out = np.empty_like(phase)
        waves.slew(np.cos(phase), step, step, out)
        return out

    def judge(m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        short = 100.0 * (1.0 - m.slope_over_sine)
        found = expect.over_limit("slew-limiting", short, m, (8.0, 15.0), value_name="slope_short_percent")
        found += [expect.allowed("odd-order-distortion", "comes with a triangle shape")] if over > 1.04 else []
        if over > 1.3:
            found.append(expect.allowed("level-drift", "which the slewing explains"))
        return found

    return TakeSpec(
        family="slew",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=shape,
        oversample=32 if rec.sample_rate_hz < 96000 else 16,
        remembers=True,
        expect=judge,
        values={"full_power_hz": full_power_hz, "over": over},
    )


def low_notes_clipped(rng: Rng) -> TakeSpec:
    """One half cut on low notes through an input that is coupled high: the coupling turns the harmonics' phases."""
    rec = pick.interface(rng, ac_coupling_hz=float(rng.uniform(5.0, 18.0)), hum_dbfs=-115.0)
    low = float(rng.uniform(1.8, 12.0)) * rec.ac_coupling_hz
    high = low * float(rng.uniform(2.0, 6.0))
    half = str(rng.choice(["positive", "negative"]))
    limit = clip_limit(float(rng.choice([5.0, 9.0, 16.0, 25.0])), half)

    def shape(phase: Floats, _f0: Floats, _rate: float) -> Floats:
        return waves.clip(np.cos(phase), limit, half)  # type: ignore[arg-type]

    def judge(m: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
        loss = expect.crest_loss_percent(m, half)
        also = ("even-order-distortion", "odd-order-distortion", "symmetric-clipping")
        return expect.over_limit(
            "asymmetric-clipping",
            loss,
            m,
            (2.0, 8.0),
            half=half,
            also=also if low < 10.0 * rec.ac_coupling_hz else (),
            value_name="crest_loss_percent",
            evidence={"half_may_be_unsure": low < 10.0 * rec.ac_coupling_hz},
        )

    return TakeSpec(
        family="clip-low-notes",
        control=pick.any_control(rng, low, high, float(rng.uniform(4.0, 7.0))),
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=shape,
        expect=judge,
        allowed=ODD_EVEN | {"symmetric-clipping": "phases are turned", "level-drift": "the input's coupling"},
        values={"half": half, "limit": limit, "over_corner": low / rec.ac_coupling_hz},
    )


FAMILIES = [
    low_notes_clipped,
    one_half_clipped,
    one_half_clipped,
    both_halves_clipped,
    unevenly_clipped,
    gap_at_zero,
    curved,
    curved,
    slewed,
]
