"""The account in the JSON document: parts with their parameters, and the shares of the numbers that a person reads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from listen.account import Account
    from listen.account.accounting import Share


def account_document(account: Account | None) -> dict[str, Any]:
    """Return the account as its schema has it; empty lists where nothing is known.

    Parameters
    ----------
    account : Account or None
    """
    if account is None:
        return {"parts": [], "thd": [], "level_span": [], "pitch_scatter": [], "between_harmonics": []}
    shares = account.shares
    return {
        "parts": [
            {
                "id": part.id,
                "part": part.part,
                "start_s": part.start_s,
                "end_s": part.end_s,
                "f0_low_hz": part.f0_low_hz,
                "f0_high_hz": part.f0_high_hz,
                "parameters": part.parameters(),
                "sigma": dict(part.sigma),
            }
            for part in account.parts
        ],
        "thd": _shares(shares.thd, "percent"),
        "level_span": _shares(shares.level_span, "db"),
        "pitch_scatter": _shares(shares.pitch_scatter, "cents"),
        "between_harmonics": _shares(shares.between_harmonics, "dbc"),
    }


def _shares(shares: Sequence[Share], unit: str) -> list[dict[str, Any]]:
    return [{"part": share.part, unit: share.value} for share in shares]
