"""What the build should do: figures of the circuit, likely causes of a finding, what to check next on the bench."""

from listen.circuit.diagnosis import Diagnosis, diagnose, known_kinds
from listen.circuit.known import KnownBuild
from listen.circuit.read import read_circuit
from listen.circuit.shape import WaveFigures
from listen.circuit.types import ChannelPair, Circuit, Quantity, Where

__all__ = [
    "ChannelPair",
    "Circuit",
    "Diagnosis",
    "KnownBuild",
    "Quantity",
    "WaveFigures",
    "Where",
    "diagnose",
    "known_kinds",
    "read_circuit",
]
