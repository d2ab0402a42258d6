"""Whether a check's document knows the recorder's polarity."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def polarity_known(document: Mapping[str, Any]) -> bool:
    """Return whether the recorder's polarity was stated for a take.

    Parameters
    ----------
    document : mapping
        Of the schema ``listen.check/1``; older ones do not say, and count as unknown.

    Examples
    --------
    >>> polarity_known({"capture": {"inverted": False}}), polarity_known({"capture": {}})
    (True, False)
    """
    return document["capture"].get("inverted") is not None
