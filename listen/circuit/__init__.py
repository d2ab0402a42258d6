"""What the build should do: likely causes of a finding and what to check next on the bench."""

from listen.circuit.diagnosis import Diagnosis, diagnose, known_kinds

__all__ = ["Diagnosis", "diagnose", "known_kinds"]
