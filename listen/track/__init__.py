"""Samples to frames: pitch, harmonics, cycle shape and envelope, measured in the phase of the tone."""

from listen.track.fourier import spectra as short_spectra
from listen.track.hum import HUM_LINES_HZ, MAINS_HZ
from listen.track.lines import BAND
from listen.track.memory import give_back_memory
from listen.track.phase import knot_spacing_s, short_frame_s
from listen.track.recorder import NEAR_DB, own_harmonics_dbc, without_hidden_harmonics
from listen.track.shape import SINE_FLAT
from listen.track.spectra import SpectraStore
from listen.track.stream import NewestRows, StreamTracker
from listen.track.threads import threads_to_use
from listen.track.tracker import one_thread_each, track
from listen.track.types import Envelope, Frames, PhaseStep

__all__ = [
    "BAND",
    "HUM_LINES_HZ",
    "MAINS_HZ",
    "NEAR_DB",
    "SINE_FLAT",
    "Envelope",
    "Frames",
    "NewestRows",
    "PhaseStep",
    "SpectraStore",
    "StreamTracker",
    "give_back_memory",
    "knot_spacing_s",
    "one_thread_each",
    "own_harmonics_dbc",
    "short_frame_s",
    "short_spectra",
    "threads_to_use",
    "track",
    "without_hidden_harmonics",
]
