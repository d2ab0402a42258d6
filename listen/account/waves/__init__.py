"""Triangles, sawtooths, squares and pulses: which wave it is, and its shape along the pitch."""

from listen.account.waves.part import wave_part
from listen.account.waves.read import HIGHEST_COUPLING_HZ, WAVES_OF_SLOPES, WaveShape, read_wave
from listen.account.waves.standard import other_wave

__all__ = ["HIGHEST_COUPLING_HZ", "WAVES_OF_SLOPES", "WaveShape", "other_wave", "read_wave", "wave_part"]
