"""What the recorder's own distortion and hum leave unmeasurable: said, and never laid at the circuit's door."""

from __future__ import annotations

import numpy as np

from listen.account import Account, figure_rows
from listen.bench import RecorderSettings
from listen.findings.rules_lines import hum_of_recorder
from listen.findings.types import NotShown
from listen.sorting import median
from listen.track import own_harmonics_dbc
from listen.units import format_percent

_WORTH_A_LINE_DBC = -80.0
"""A ten-thousandth, the least that the page's bars of distortion show."""
_HUM_DBC = -56.0
"""Hum is spoken of from 6 dB below its limit on."""


def not_shown(
    account: Account, recorder: RecorderSettings | None, words: dict[str, dict[str, str]]
) -> tuple[NotShown, ...]:
    """Questions that the recorder leaves open.

    Parameters
    ----------
    account : Account
        Harmonics that may be the recorder's are empty in it.
    recorder : RecorderSettings or None
    words : dict
        ``why`` and ``mend`` of each case.
    """
    if recorder is None or not account.is_oscillator:
        return ()
    out = []
    orders, own_dbc = _hidden_orders(account, recorder)
    if orders:
        values = {"harmonics": _listed(orders), "own": format_percent(100.0 * 10.0 ** (own_dbc / 20.0))}
        out.append(_said(words["recorder"], values))
    if recorder.hum_dbfs is not None and account.mains is not None:
        heard = account.mains.level_dbc > _HUM_DBC
        if heard.any() and float(np.mean(hum_of_recorder(account, recorder.hum_dbfs)[heard])) > 0.5:
            out.append(_said(words["recorder-hum"], {"own": f"{recorder.hum_dbfs:.0f}"}))
    return tuple(out)


def _said(entry: dict[str, str], values: dict[str, str]) -> NotShown:
    return NotShown(question="clean", why=entry["why"].format(**values), mend=entry["mend"].format(**values))


def _hidden_orders(account: Account, recorder: RecorderSettings) -> tuple[list[int], float]:
    """Orders that are hidden in most rows, and the largest of the recorder's own harmonics among them."""
    rows = figure_rows(account)
    frames = account.recorded
    if not rows.any():
        return [], -np.inf
    own = own_harmonics_dbc(recorder, frames.fundamental_dbfs[rows])
    orders, worst = [], -np.inf
    for k in range(2, own.shape[1] + 2):
        there = (frames.harmonic_count[rows] >= k) & np.isfinite(own[:, k - 2])
        if not there.any():
            continue
        level = median(own[there, k - 2])
        empty = np.isnan(frames.harmonics_dbc[rows, k - 2][there])
        if level > _WORTH_A_LINE_DBC and float(np.mean(empty)) > 0.5:
            orders.append(k)
            worst = max(worst, level)
    return orders, worst


def _listed(orders: list[int]) -> str:
    names = [f"H{k}" for k in orders]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
