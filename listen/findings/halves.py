"""Names of the halves of the wave: the circuit's where the recorder's polarity is stated, else the recording's."""

from __future__ import annotations

IF_UPRIGHT = "assuming that the recorder does not invert"
_IN_THE_RECORDING = {"positive": "upper", "negative": "lower"}


def half_adjective(half: str | None, known: bool) -> str:
    """Return the word before "half", "crest" or "tip".

    Parameters
    ----------
    half : {'positive', 'negative', 'both'} or None
        Of the samples as they were read: what swings up is positive.
    known : bool
        The recorder's polarity is stated, so that the sample's half is the circuit's.

    Examples
    --------
    >>> half_adjective("positive", True), half_adjective("positive", False), half_adjective(None, False)
    ('positive', 'upper', 'one')
    """
    if half is None:
        return "one"
    return half if known else _IN_THE_RECORDING.get(half, half)


def half_name(half: str | None, known: bool) -> str:
    """Return a half's name, alone; empty for None.

    Parameters
    ----------
    half : {'positive', 'negative', 'both'} or None
    known : bool
        The recorder's polarity is stated.

    Examples
    --------
    >>> half_name("negative", True), half_name("negative", False), half_name("both", False)
    ('negative half', 'lower half of the recording', 'both halves')
    """
    if half is None:
        return ""
    if half == "both":
        return "both halves"
    return f"{half_adjective(half, known)} half{_of_recording(half, known)}"


def half_fields(half: str | None, known: bool) -> dict[str, str]:
    """Return what the texts of the kinds have in braces for a half.

    Parameters
    ----------
    half : {'positive', 'negative', 'both'} or None
    known : bool
        The recorder's polarity is stated.

    Returns
    -------
    dict
        ``half`` (the adjective), ``of_recording`` (after the noun), ``half_name``, ``rail`` (the supply of that half)
        and ``if_upright`` (after a rail).

    Examples
    --------
    >>> "the {rail} rail{if_upright}".format_map(half_fields("positive", False))
    'the positive rail (assuming that the recorder does not invert)'
    """
    return {
        "half": half_adjective(half, known),
        "of_recording": _of_recording(half, known),
        "half_name": half_name(half, known),
        "rail": half if half in _IN_THE_RECORDING else "one",
        "if_upright": if_upright(known or half not in _IN_THE_RECORDING),
    }


def if_upright(known: bool) -> str:
    """Return the reservation after what names a supply or the sign of a voltage; empty where it needs none."""
    return "" if known else f" ({IF_UPRIGHT})"


def _of_recording(half: str | None, known: bool) -> str:
    return "" if known or half not in _IN_THE_RECORDING else " of the recording"
