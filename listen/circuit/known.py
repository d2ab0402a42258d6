"""What is known of a build before its recording is read."""

from __future__ import annotations

from dataclasses import dataclass

from listen.bench import Bench, BuildSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBuild:
    """What somebody has stated of the build and its recorder.

    Attributes
    ----------
    wave : str
        The intended one.
    topology, gain_control : str or None
        As stated; they beat the bench file's.
    bench : Bench or None
        The bench file.
    corner_known : bool
        The recorder's coupling has been undone.
    """

    wave: str = "sine"
    topology: str | None = None
    gain_control: str | None = None
    bench: Bench | None = None
    corner_known: bool = False

    @property
    def settings(self) -> BuildSettings | None:
        """What the bench file says of the build."""
        return self.bench.build if self.bench is not None else None

    @property
    def volts_per_full_scale(self) -> float | None:
        """Volts at the input that make a full-scale sample."""
        return self.bench.capture.volts_per_full_scale if self.bench is not None else None

    @property
    def polarity_known(self) -> bool:
        """The bench file says whether the recorder inverts."""
        return self.bench is not None and self.bench.capture.inverted is not None
