"""From what was found to typed parts with their ids."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.deviations import UNLIKE_SIGMAS, with_deviations
from listen.account.deviations_curve import curve_deviations, dead_band_deviation, own_deviations
from listen.account.deviations_rows import burst_figures, dropout_deviations, half_order_level
from listen.account.parts import (
    AmplifiersCurve,
    BurstInStep,
    DeadBandPart,
    EventPart,
    HalfOrderFamily,
    LevelLawPart,
    MainsFamily,
    Modulation,
    Noise,
    Part,
    RecorderPart,
    RecordersTone,
    SecondOscillator,
    SlewLimiting,
    Tone,
)
from listen.account.shares import noise_dbfs, shares_of
from listen.account.types import Account
from listen.account.waves import wave_part
from listen.capture import Damage

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_FAINT_DBC = -80.0
"""Parts below this move no number that a person reads."""
_RUN_DBC = -60.0
"""Half orders and bursts are parts from here on, 10 dB under their limits: what comes near these is listed too."""


def described(account: Account, damage: Damage) -> Account:
    """Return the account with its parts, ids and shares."""
    named = list(_parts(account, damage))
    parts = with_deviations(account, [part for _, part in named])
    first: dict[str, str] = {}
    for name, part in named:
        first.setdefault(name, part.id)
    account = replace(account, parts=parts, ids=first)
    return replace(account, shares=shares_of(account))


def _parts(account: Account, damage: Damage) -> Iterator[tuple[str, Part]]:
    """All parts, each with what it is."""
    place = _Place(account)
    if account.tone is not None:
        yield "tone", _tone(account, place)
        if account.judged.any():
            yield "noise", Noise(id="noise", level_dbfs=noise_dbfs(account), **place.whole())
    yield from _mains(account, place)
    if account.is_oscillator:
        yield from _modulations(account)
        yield from _interharmonics(account, place)
        yield from _shape(account, place)
        if account.wave_shape is not None:
            yield "wave", wave_part(account.wave_shape, **place.of_rows(account.judged))
        yield from _events(account)
        if account.law is not None:
            law = account.law
            yield (
                "law",
                LevelLawPart(
                    id="level",
                    span_db=law.span_db,
                    time_span_db=law.time_span_db,
                    highest_at_hz=law.highest_hz,
                    lowest_at_hz=law.lowest_hz,
                    sigma={"span_db": law.span_sigma_db, "time_span_db": law.time_span_sigma_db},
                    **place.of_rows(account.judged),
                ),
            )
    yield from _recorder(account, damage, place)


class _Place:
    """Time and pitch of parts, as keywords."""

    def __init__(self, account: Account) -> None:
        self._frames = account.frames
        self._rows = account.tone.rows if account.tone is not None else np.zeros(len(account.frames), dtype=bool)

    def whole(self) -> dict[str, Any]:
        return self.of_rows(self._rows)

    def of_rows(self, rows: Flags) -> dict[str, Any]:
        index = np.flatnonzero(rows)
        if not len(index):
            end = float(self._frames.time_s[-1]) if len(self._frames) else 0.0
            return {"start_s": 0.0, "end_s": end}
        f0 = self._frames.f0_hz[index]
        f0 = f0[np.isfinite(f0)]
        half = 0.5 * self._frames.row_every_s
        return {
            "start_s": max(0.0, float(self._frames.time_s[index[0]]) - half),
            "end_s": float(self._frames.time_s[index[-1]]) + half,
            "f0_low_hz": float(f0.min()) if len(f0) else None,
            "f0_high_hz": float(f0.max()) if len(f0) else None,
        }


def _tone(account: Account, place: _Place) -> Part:
    assert account.tone is not None
    fit = account.shape.choice.best if account.shape is not None and account.shape.choice is not None else None
    own = fit.leftover if fit is not None else None

    def dbc(value: complex) -> float | None:
        return float(20 * np.log10(abs(value))) if abs(value) > 1e-6 else None

    return Tone(
        id="tone",
        level_dbfs=account.tone.settled_dbfs,
        h2_dbc=dbc(complex(own[0])) if own is not None else None,
        h3_dbc=dbc(complex(own[1])) if own is not None else None,
        sigma=own_deviations(fit) if fit is not None else {},
        **place.whole(),
    )


def _mains(account: Account, place: _Place) -> Iterator[tuple[str, Part]]:
    mains = account.mains
    if mains is not None and len(mains.level_dbc) and float(mains.level_dbc.max()) > _FAINT_DBC:
        there = mains.level_dbc > _FAINT_DBC
        power = np.mean(np.abs(mains.amplitude[there]) ** 2, axis=0)
        whole = place.whole()
        yield (
            "mains",
            MainsFamily(
                id="mains",
                start_s=max(0.0, float(mains.time_s[there][0]) - 0.4),
                end_s=float(mains.time_s[there][-1]) + 0.4,
                f0_low_hz=whole.get("f0_low_hz"),
                f0_high_hz=whole.get("f0_high_hz"),
                mains_hz=mains.mains_hz,
                level_dbc=float(10 * np.log10(np.median(10 ** (mains.level_dbc[there] / 10)))),
                strongest_hz=float(mains.lines_hz[int(np.argmax(power))]),
            ),
        )
    sides, time_s = account.sidebands, account.frames.time_s
    if sides is not None and sides.level_dbc > _FAINT_DBC:
        yield (
            "mains-sidebands",
            Modulation(
                id="mains-sidebands",
                rate_hz=sides.rate_hz,
                sideband_dbc=sides.level_dbc,
                **place.of_rows(account.judged & (time_s >= sides.start_s) & (time_s <= sides.end_s)),
            ),
        )


def _modulations(account: Account) -> Iterator[tuple[str, Part]]:
    hunting = account.hunting
    if hunting:
        worst = max(hunting, key=lambda s: s.depth)
        yield (
            "hunting",
            Modulation(
                id="hunting",
                rate_hz=worst.rate_hz,
                depth_percent=100 * worst.depth,
                start_s=min(s.segment.start_s for s in hunting),
                end_s=max(s.segment.end_s for s in hunting),
                f0_low_hz=min(s.segment.f0_hz for s in hunting),
                f0_high_hz=max(s.segment.f0_hz for s in hunting),
            ),
        )
    for number, swing in enumerate(account.second_lines[:1], start=1):
        yield (
            "line-beside",
            (RecordersTone if swing.in_silence else SecondOscillator)(
                id=f"line-beside-{number}",
                frequency_hz=swing.line_hz,
                level_dbc=float(20 * np.log10(max(swing.depth, 1e-9))),
                start_s=swing.segment.start_s,
                end_s=swing.segment.end_s,
                f0_low_hz=swing.segment.f0_hz,
                f0_high_hz=swing.segment.f0_hz,
            ),
        )
    if account.waverings:
        wave = max(account.waverings, key=lambda w: w.rms_cents)
        yield (
            "wavering",
            Modulation(
                id="wavering",
                rate_hz=wave.rate_hz,
                pitch_cents=wave.rms_cents,
                start_s=wave.segment.start_s,
                end_s=wave.segment.end_s,
                f0_low_hz=wave.segment.f0_hz,
                f0_high_hz=wave.segment.f0_hz,
            ),
        )


def _interharmonics(account: Account, place: _Place) -> Iterator[tuple[str, Part]]:
    halves = account.half_orders.level_dbc
    if (halves > _RUN_DBC).any():
        rows = halves > _RUN_DBC
        level, error = half_order_level(account, rows)
        known = {"level_dbc": error} if np.isfinite(error) else {}
        yield "half-orders", HalfOrderFamily(id="half-orders", level_dbc=level, sigma=known, **place.of_rows(rows))
    burst = account.bursts.level_dbc
    rows = account.judged & (burst > _RUN_DBC)
    if np.count_nonzero(rows) >= 5:
        found, errors = burst_figures(account, rows)
        yield "burst", BurstInStep(id="burst", sigma=errors, **found, **place.of_rows(rows))
    for number, line in enumerate(account.fixed_lines, start=1):
        own = line.of_the_recording is True
        kind = RecordersTone if own else SecondOscillator
        yield (
            f"line-{number}",
            kind(id=f"line-{number}", frequency_hz=line.frequency_hz, level_dbc=line.level_dbc, **place.whole()),
        )


def _shape(account: Account, place: _Place) -> Iterator[tuple[str, Part]]:
    shape = account.shape
    if shape is None or shape.choice is None or shape.sizes is None or account.other_wave is not None:
        return
    fit, sizes = shape.choice.best, shape.sizes
    letters = set(fit.stages.parts)
    where = place.of_rows(shape.rows)
    scale = float(shape.bins.amplitude_fs.max())
    if letters - set("SDd"):
        sigma, levels = {}, {}
        for letter, names in (("P", ["positive"]), ("N", ["negative"]), ("T", ["positive", "negative"])):
            found = fit.unknown(letter)
            if found is None or fit.stages.knee != "fs":
                continue
            for name in names:
                levels[f"{name}_level_fs"] = float(found[0][0]) * scale
                sigma[f"{name}_level_fs"] = float(found[1][0]) * scale * (UNLIKE_SIGMAS if letter == "T" else 1.0)
        knee = fit.unknown("knee")
        sigma |= curve_deviations(fit)
        yield (
            "curve",
            AmplifiersCurve(
                id="curve",
                place="inside" if fit.stages.inside else "behind",
                one_half_lost_percent=_most(sizes.loss_one),
                both_halves_lost_percent=_most(sizes.loss_both),
                knee_percent=100 * float(np.exp(knee[0][0])) if knee is not None else None,
                even_percent=_most(sizes.even),
                odd_percent=_most(sizes.odd),
                sigma=sigma,
                **levels,
                **where,
            ),
        )
    if letters & set("Dd"):
        known = dead_band_deviation(fit)
        yield (
            "dead",
            DeadBandPart(id="dead-band", dead_band_percent=100 * float(sizes.dead.max()), sigma=known, **where),
        )
    if "S" in letters:
        limited = sizes.steepest > 1.0
        yield (
            "slew",
            SlewLimiting(
                id="slew",
                slope_fs_per_s=sizes.slope_fs_per_s,
                onset_f0_hz=_onset(sizes.steepest, sizes.f0_hz) if limited.any() else None,
                slope_short_percent=100 * float(sizes.slope_short.max()),
                **where,
            ),
        )


def _most(values: Floats) -> float | None:
    most = 100 * float(values.max())
    return most if most > 0.01 else None


def _onset(steep: Floats, f0_hz: Floats) -> float:
    """Pitch at which the slope first reaches the limit."""
    first = int(np.argmax(steep > 1.0))
    if first == 0:
        return float(f0_hz[0])
    share = (1.0 - steep[first - 1]) / (steep[first] - steep[first - 1])
    return float(f0_hz[first - 1] * (f0_hz[first] / f0_hz[first - 1]) ** share)


def _events(account: Account) -> Iterator[tuple[str, Part]]:
    start = account.start
    if start.shown:
        yield (
            "start",
            EventPart(
                id="start",
                event="start",
                start_s=start.begin_s,
                end_s=start.settled_s,
                f0_low_hz=start.f0_hz,
                f0_high_hz=start.f0_hz,
                rise_s=start.rise_s,
            ),
        )
    for number, drop in enumerate(account.silences.dropouts, start=1):
        yield (
            f"dropout-{number}",
            EventPart(
                id=f"dropout-{number}",
                event="dropout",
                start_s=drop.start_s,
                end_s=drop.end_s,
                f0_low_hz=drop.f0_low_hz,
                f0_high_hz=drop.f0_high_hz,
                depth_db=drop.depth_db,
                sigma=dropout_deviations(drop),
            ),
        )
    if (stop := account.silences.stop) is not None:
        yield "stop", EventPart(id="stop", event="switched-off", start_s=stop.start_s, end_s=stop.end_s)
    for number, ring in enumerate((s for s in account.settlings if s.ring), start=1):
        yield (
            f"settling-{number}",
            EventPart(
                id=f"settling-{number}",
                event="settling",
                start_s=ring.retune_s,
                end_s=ring.retune_s + max(ring.settle_s, 0.05),
                f0_low_hz=ring.f0_hz,
                f0_high_hz=ring.f0_hz,
                deviation_db=ring.deviation_db,
                settle_s=ring.settle_s,
                ring_hz=ring.rate_hz,
                decay_s=ring.decay_s,
            ),
        )
    yield from _room_sounds(account)


def _room_sounds(account: Account) -> Iterator[tuple[str, Part]]:
    for number, event in enumerate(account.events, start=1):
        yield (
            f"room-{number}",
            EventPart(
                id=f"room-{number}",
                event="room-sound",
                start_s=event.start_s,
                end_s=event.end_s,
                level_dbc=event.level_dbc,
            ),
        )
    if account.tone is not None:
        for number, (a, b) in enumerate(account.tone.room, start=1):
            part = EventPart(id=f"room-before-{number}", event="room-sound", start_s=a, end_s=b)
            yield f"before-{number}", part


def _recorder(account: Account, damage: Damage, place: _Place) -> Iterator[tuple[str, Part]]:
    lost_samples = account.lost_samples
    if lost_samples.places:
        yield (
            "lost",
            RecorderPart(
                id="lost-samples",
                what="lost-samples",
                start_s=lost_samples.places[0][0],
                end_s=lost_samples.places[-1][1],
                samples=lost_samples.samples,
            ),
        )
    if len(damage.overload):
        yield (
            "overload",
            RecorderPart(
                id="overload", what="overload", tops=float(len(damage.overload)), **place.of_rows(account.cut)
            ),
        )
    fit = account.shape.choice.best if account.shape is not None and account.shape.choice is not None else None
    corner = fit.unknown("corner") if fit is not None else None
    if corner is not None and corner[1][0] < 1.0:
        yield (
            "coupling",
            RecorderPart(
                id="coupling",
                what="coupling",
                corner_hz=float(corner[0][0]),
                sigma={"corner_hz": float(corner[1][0])},
                **place.whole(),
            ),
        )
