"""Large digits: three lines high, of half blocks; outlined while the hand moves."""

from __future__ import annotations

_DOTS = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", " ##", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", " # ", " # ", " # "),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "-": ("   ", "   ", "###", "   ", "   "),
    "+": ("   ", " # ", "###", " # ", "   "),
    ".": (" ", " ", " ", " ", "#"),
    " ": (" ", " ", " ", " ", " "),
}
"""Five rows of dots; two rows make a line."""
_BLOCKS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
HEIGHT = 3


def large(text: str) -> list[str]:
    """Draw a number three lines high.

    Parameters
    ----------
    text : str
        Digits, sign, point, spaces.

    Returns
    -------
    list of str
        Three lines of equal length.

    Examples
    --------
    >>> [len(line) for line in large("1.5")]
    [9, 9, 9]
    """
    rows = [" ".join(_DOTS[c][i] for c in text) for i in range(5)] + [""]
    width = len(rows[0])
    rows = [row.ljust(width) for row in rows]
    return ["".join(_BLOCKS[a == "#", b == "#"] for a, b in zip(rows[i], rows[i + 1], strict=True)) for i in (0, 2, 4)]
