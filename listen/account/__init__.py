"""The account of a recording: all its components, each measured with the others taken into account."""

from listen.account.build import find_account
from listen.account.cleaning import CleanedCapture
from listen.account.figures import figure_rows, with_dead_band, with_wave_shape, worst_distortion_row
from listen.account.parts import Part
from listen.account.start import Start
from listen.account.types import Account
from listen.account.waves import WAVES_OF_SLOPES

__all__ = [
    "WAVES_OF_SLOPES",
    "Account",
    "CleanedCapture",
    "Part",
    "Start",
    "figure_rows",
    "find_account",
    "with_dead_band",
    "with_wave_shape",
    "worst_distortion_row",
]
