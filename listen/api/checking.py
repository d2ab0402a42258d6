"""``listen check``: from a capture to a verdict that a builder can act on."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from listen.account import WAVES_OF_SLOPES, find_account, with_dead_band, with_wave_shape
from listen.api.arguments import FilePath, Progress
from listen.api.bench_lookup import find_bench_file
from listen.bench import GAIN_CONTROLS, TOPOLOGIES, WAVES, Bench, load_bench
from listen.capture import Capture, Damage, open_capture, scan_damage
from listen.circuit import ChannelPair, Circuit, Diagnosis, KnownBuild, WaveFigures, diagnose, read_circuit
from listen.errors import CaptureError, OptionError, suggestion
from listen.findings import judge, load_limits
from listen.findings.types import Finding, Judgement, NotShown, SweepRow, Verdict
from listen.report import check_html, check_page
from listen.sorting import median
from listen.track import SpectraStore, one_thread_each, threads_to_use, track, without_hidden_harmonics
from listen.track.types import Frames
from listen.units import format_hz

FEWEST_CYCLES = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CheckResult:
    """All that a check found out about one capture.

    Attributes
    ----------
    capture : Capture
        What was looked at.
    bench : Bench or None
        What is known of the build; ``bench.path`` is its file.
    wave : str
        The intended wave.
    gain_control, topology : str or None
        As stated on the command line or in the bench file.
    frames : Frames
        The measurements, a row a frame, as numpy arrays.
    damage : Damage
        What the recording itself did.
    judgement : Judgement
    diagnoses : tuple of Diagnosis
        One for each finding, in their order.
    circuit : Circuit or None
        Figures of the circuit; None where no oscillator was heard, or any wave is meant.
    """

    capture: Capture
    bench: Bench | None
    wave: str
    gain_control: str | None
    topology: str | None
    frames: Frames
    damage: Damage
    judgement: Judgement
    diagnoses: tuple[Diagnosis, ...]
    circuit: Circuit | None = None

    @property
    def bench_path(self) -> str | None:
        """The bench file that was used."""
        return self.bench.path if self.bench else None

    @property
    def verdict(self) -> Verdict:
        """``pass``, ``attention`` or ``fault``."""
        return self.judgement.verdict

    @property
    def wave_figures(self) -> WaveFigures | None:
        """Shape of another wave than a sine, or of a shaper's sine, as figures of the circuit."""
        return self.circuit.shape if self.circuit else None

    @property
    def channel_pair(self) -> ChannelPair | None:
        """A second output of the oscillator on another channel, against the one that was checked."""
        return self.circuit.channel_pair if self.circuit else None

    @property
    def headline(self) -> str:
        """One sentence that a builder would say."""
        return self.judgement.headline

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings, worst first."""
        return self.judgement.findings

    @property
    def summary(self) -> Mapping[str, float | None]:
        """Range, level, distortion and start in numbers."""
        return self.judgement.summary

    @property
    def sweep(self) -> tuple[SweepRow, ...]:
        """Medians, a row a third of an octave."""
        return self.judgement.sweep

    @property
    def not_shown(self) -> tuple[NotShown, ...]:
        """What this take cannot answer, and what to record instead."""
        return self.judgement.not_shown

    def __repr__(self) -> str:
        findings = ", ".join(f"{finding.kind} ({finding.severity})" for finding in self.findings) or "no findings"
        return f"<CheckResult {self.verdict}: {findings}; {self.headline}>"

    def __str__(self) -> str:
        return check_page(self).rstrip("\n")

    def _repr_html_(self) -> str:
        return check_html(self)


def check(
    path: FilePath,
    *,
    channel: int | None = None,
    wave: str | None = None,
    bench: FilePath | Bench | None = None,
    limits: FilePath | None = None,
    gain_control: str | None = None,
    topology: str | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    progress: Progress | None = None,
    threads: int = 2,
) -> CheckResult:
    """Check a capture of an oscillator: pitch, start, hold, clean.

    Parameters
    ----------
    path : path
        A WAV, FLAC or AIFF file.
    channel : int, optional
        Counts from 1; the bench file's, else the first.
    wave : {'sine', 'triangle', 'sawtooth', 'square', 'pulse', 'any'}, optional
        The intended wave; the bench file's, else a sine.
    bench : path or Bench, optional
        What is known of the build and the interface. A ``bench.toml`` beside the capture is used where
        none is given; an argument beats what it says.
    limits : path, optional
        A TOML file with limits of your own, a table a kind of finding.
    gain_control : {'jfet', 'diodes', 'lamp', 'ldr', 'none', 'other'}, optional
        What holds the level; limits and causes depend on it.
    topology : {'wien-bridge', 'phase-shift', 'twin-t', 'bridged-t', 'quadrature', ...}, optional
        The circuit; figures and causes depend on it.
    start_s, end_s : float, optional
        The span to look at, in seconds from the first sample.
    progress : callable, optional
        Called with the part that is done, 0 to 1.
    threads : int
        To work with; the result does not depend on it. One, where other processes have the other cores.

    Returns
    -------
    CheckResult

    Raises
    ------
    ListenError
        The capture, an option, the bench file or the limits cannot be used; the text says how to correct it.

    Examples
    --------
    >>> import listen
    >>> result = listen.check("fixtures/sine-board-unequal-supplies.wav")  # doctest: +SKIP
    >>> result.findings[0].half  # doctest: +SKIP
    'positive'
    """
    known = _stated(path, bench, wave=wave, gain_control=gain_control, topology=topology)
    used_limits = load_limits(limits, gain_control=known.gain_control, wave=known.wave)
    settings = known.bench.capture if known.bench else None
    capture = open_capture(path, channel=channel, start_s=start_s, end_s=end_s, settings=settings)
    spectra = SpectraStore() if known.wave in WAVES_OF_SLOPES else None
    frames, damage = _measured(capture, progress, threads, spectra)
    _some_samples(capture, damage)
    _long_enough(capture, frames)
    account = find_account(
        capture,
        frames,
        damage,
        wave=known.wave,
        topology=known.topology,
        threads=threads,
        spectra=spectra,
        response_hz=settings.response_hz if settings else None,
    )
    judgement = judge(
        account,
        damage,
        capture=capture,
        wave=known.wave,
        limits=used_limits,
        gain_control=known.gain_control,
        duty_percent=known.settings.duty_percent if known.settings else None,
    )
    frames = with_wave_shape(with_dead_band(without_hidden_harmonics(frames, capture.recorder), account), account)
    known = replace(known, corner_known=capture.ac_coupling_hz is not None)
    with one_thread_each():
        circuit = read_circuit(capture, account, known, judgement.findings)
    capture.reader.forget()
    return CheckResult(
        capture=capture,
        bench=known.bench,
        wave=known.wave,
        gain_control=known.gain_control,
        topology=known.topology,
        frames=frames,
        damage=damage,
        judgement=judgement,
        diagnoses=_diagnoses(judgement, known),
        circuit=circuit,
    )


def _stated(
    path: FilePath, bench: FilePath | Bench | None, *, wave: str | None, gain_control: str | None, topology: str | None
) -> KnownBuild:
    """Return what is stated of the build: by arguments, else by the bench file."""
    _one_of("wave", wave, WAVES)
    _one_of("gain control", gain_control, GAIN_CONTROLS)
    _one_of("topology", topology, TOPOLOGIES)
    known = _bench(path, bench)
    build = known.build if known else None
    return KnownBuild(
        wave=wave or (build.wave if build else None) or "sine",
        gain_control=gain_control or (build.gain_control if build else None),
        topology=topology or (build.topology if build else None),
        bench=known,
    )


def _diagnoses(judgement: Judgement, known: KnownBuild) -> tuple[Diagnosis, ...]:
    return tuple(
        diagnose(
            finding.kind,
            half=finding.half,
            half_known=finding.half_known,
            topology=known.topology,
            gain_control=known.gain_control,
            wave=known.wave,
            measured=finding.measured,
        )
        for finding in judgement.findings
    )


def _measured(
    capture: Capture, progress: Progress | None, threads: int, spectra: SpectraStore | None
) -> tuple[Frames, Damage]:
    """Track the tone and scan for damage, side by side where there is a thread to spare."""
    if threads_to_use(threads) < 2:
        return track(capture, progress=progress, workers=1, spectra=spectra), scan_damage(capture)
    with ThreadPoolExecutor(max_workers=1) as pool:
        scanned = pool.submit(scan_damage, capture)
        try:
            frames = track(capture, progress=progress, workers=threads, spectra=spectra)
            return frames, scanned.result()
        except BaseException:  # interrupted, too: nobody waits for the rest of an hour
            capture.reader.abandon()
            raise


def _bench(path: FilePath, bench: FilePath | Bench | None) -> Bench | None:
    """Return what is known of the build and the interface."""
    if isinstance(bench, Bench):
        return bench
    found = find_bench_file(path) if bench is None else Path(bench)
    return None if found is None else load_bench(found)


def _some_samples(capture: Capture, damage: Damage) -> None:
    """Refuse a file of floats of which none can be a sample: a dead circuit looks otherwise."""
    if 0 < capture.stop_sample - capture.start_sample <= damage.n_nonfinite:
        raise CaptureError(
            what=f"{capture.path}: none of its numbers can be a sample (not finite, or beyond all measure)",
            remedy="export the take again as 16 or 24 bit WAV",
        )


def _long_enough(capture: Capture, frames: Frames) -> None:
    """Refuse a take that is shorter than ten cycles of its own tone; silence has no cycles to count."""
    if not frames.oscillating.any():
        return
    f0_hz = median(frames.f0_hz[frames.oscillating])
    cycles = f0_hz * (capture.stop_sample - capture.start_sample) / capture.sample_rate_hz
    if cycles < FEWEST_CYCLES:
        raise CaptureError(
            what=f"{capture.path}: holds {cycles:.1f} cycles of a tone of {format_hz(f0_hz)}, "
            f"at least {FEWEST_CYCLES} are needed",
            remedy="record ten seconds or more",
        )


def _one_of(name: str, value: str | None, known: tuple[str, ...]) -> None:
    if value is not None and value not in known:
        raise OptionError(what=f"{value!r} is not a known {name}", remedy=suggestion(value, known))
