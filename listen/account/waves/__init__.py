"""Triangles, sawtooths, squares and pulses: which wave it is, and its shape along the pitch."""

from listen.account.waves.cycle import bow_of
from listen.account.waves.part import wave_part
from listen.account.waves.read import HIGHEST_COUPLING_HZ, WAVES_OF_SLOPES, WaveShape, read_wave
from listen.account.waves.recorder import times_without_recorder
from listen.account.waves.standard import other_wave

__all__ = [
    "HIGHEST_COUPLING_HZ",
    "WAVES_OF_SLOPES",
    "WaveShape",
    "bow_of",
    "other_wave",
    "read_wave",
    "times_without_recorder",
    "wave_part",
]
