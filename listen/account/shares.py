"""How much of each number that a person reads is due to which part of the account."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.accounting import Share, Shares, interharmonic_powers, thd_squares
from listen.account.figures import worst_distortion_row
from listen.account.types import Account
from listen.sorting import median, quantile

Floats = NDArray[np.floating[Any]]


def noise_dbfs(account: Account) -> float:
    """Return the level of the noise under the tone."""
    frames = account.frames
    with np.errstate(invalid="ignore"):
        power = 10 ** ((frames.residual_dbc + frames.fundamental_dbfs)[account.judged] / 10)
    power = power[np.isfinite(power)]
    return float(10 * np.log10(quantile(power, 0.25))) if len(power) else -200.0


def shares_of(account: Account) -> Shares:
    """Return the shares of THD, level span, pitch scatter and what lies between the harmonics."""
    if not account.is_oscillator or not account.judged.any():
        return Shares()
    ids = dict(account.ids or {})
    row = worst_distortion_row(account)
    thd: dict[str | None, float] = {}
    if row is not None:
        known = account.other_wave is None
        thd = thd_squares(account.recorded, account.frames, row, account.shape if known else None, ids)
    return Shares(
        thd=tuple(Share(part=part, value=float(np.sqrt(value))) for part, value in thd.items() if value > 0),
        level_span=tuple(_level_shares(account)),
        pitch_scatter=tuple(_pitch_shares(account)),
        between_harmonics=tuple(_interharmonic_shares(account)),
    )


def _level_shares(account: Account) -> Iterator[Share]:
    law = account.law
    if law is not None:
        yield Share(part=account.id_of("law"), value=max(law.span_db, law.time_span_db))
    shape = account.shape
    if shape is not None and shape.sizes is not None and account.other_wave is None:
        gain = 20 * np.log10(np.maximum(shape.sizes.gain, 1e-6))
        name = "slew" if account.id_of("slew") and (shape.sizes.steepest > 1.0).any() else "curve"
        if float(np.ptp(gain)) > 0.01 and account.id_of(name):
            yield Share(part=account.id_of(name), value=float(np.ptp(gain)))
    if account.hunting:
        depth = min(max(s.depth for s in account.hunting), 0.99)
        yield Share(part=account.id_of("hunting"), value=float(20 * np.log10((1 + depth) / (1 - depth))))


def _pitch_shares(account: Account) -> Iterator[Share]:
    if not account.waverings:
        return
    worst = max(account.waverings, key=lambda w: w.rms_cents)
    yield Share(part=account.id_of("wavering"), value=worst.rms_cents)
    if worst.swing_cents > 0.01 and account.id_of("hunting"):
        yield Share(part=account.id_of("hunting"), value=worst.swing_cents)


def _interharmonic_shares(account: Account) -> Iterator[Share]:
    frames, judged = account.recorded, account.judged
    if not judged.any() or len(frames) != len(account.frames):
        return
    assert account.tone is not None
    level = median(frames.fundamental_dbfs[judged])
    taken: dict[str, Floats] = {}
    for name, values in (("half-orders", account.half_orders.level_dbc), ("burst", account.bursts.level_dbc)):
        key = account.id_of(name)
        if key is not None:
            taken[key] = 10 ** (np.maximum(values, -300.0) / 10)
    for number, line in enumerate(account.fixed_lines, start=1):
        key = account.id_of(f"line-{number}")
        if key is not None:
            taken[key] = line.power_over(frames, account.tone)
    if account.id_of("mains") and account.mains is not None:
        power = np.interp(frames.time_s, account.mains.time_s, 10 ** (account.mains.level_dbc / 10))
        taken[str(account.id_of("mains"))] = power
    noise = 10 ** ((noise_dbfs(account) - level) / 10)
    powers, _ = interharmonic_powers(frames, judged, taken, noise)
    for part, value in powers.items():
        if value > 1e-14:
            yield Share(part=part, value=float(10 * np.log10(value)))
