"""The account of a recording: what it consists of, each part measured with the others taken into account."""

from listen.account.build import find_account
from listen.account.cleaning import CleanedCapture
from listen.account.figures import figure_rows, with_dead_band, worst_distortion_row
from listen.account.parts import Part
from listen.account.start import Start
from listen.account.types import Account

__all__ = [
    "Account",
    "CleanedCapture",
    "Part",
    "Start",
    "figure_rows",
    "find_account",
    "with_dead_band",
    "worst_distortion_row",
]
