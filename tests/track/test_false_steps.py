"""Noise that passes for a tone for a moment looks as if samples were lost: it costs little, and proves nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.track import PhaseStep, StreamTracker, chunk, phase_discontinuities
from tests.takes.classes import CLASSES
from tests.takes.files import ensure
from tests.tones import Take, frames_of, times


def costly_proofs(monkeypatch: pytest.MonkeyPatch, x: np.ndarray) -> int:
    calls: list[float] = []
    proof = phase_discontinuities.proved_step

    def counted(*arguments, **options):
        calls.append(arguments[3])
        return proof(*arguments, **options)

    monkeypatch.setattr(phase_discontinuities, "proved_step", counted)
    frames_of(x, workers=1)
    return len(calls)


def test_hiss_is_hardly_ever_put_to_the_proof(monkeypatch):
    hiss = 0.1 * np.random.default_rng(1).standard_normal(10 * 48_000)
    assert costly_proofs(monkeypatch, hiss) <= 20


@pytest.mark.parametrize("f0_hz", [55.0, 440.0, 1900.0])
@pytest.mark.parametrize("noise", [0.0, 0.05, 0.15])
def test_samples_lost_in_a_noisy_tone_are_still_proved(f0_hz, noise):
    """The same places with the cheap question asked first and without it."""
    t = times(4.0)
    x = 0.3 * np.sin(2 * np.pi * f0_hz * t) + 0.3 * noise * np.random.default_rng(2).standard_normal(len(t))
    torn = np.concatenate([x[:90_000], x[90_000 + 137 :]])
    asked = frames_of(torn, workers=1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(phase_discontinuities, "_periodic_at_side", lambda *_: True)
        unasked = frames_of(torn, workers=1)
    assert [step.time_s for step in asked.phase_steps] == [step.time_s for step in unasked.phase_steps]
    if noise == 0.0:
        assert len(asked.phase_steps) == 1
    np.testing.assert_array_equal(asked.f0_hz, unasked.f0_hz)


def test_a_window_that_moves_seldom_proves_in_vain(monkeypatch):
    """Windows of a second, 50 ms apart, over a voice-like wave: few proofs a second of signal, not sixty."""
    t = times(2.0)
    pitch = 140.0 * (1.0 + 0.15 * np.sin(2 * np.pi * 2.2 * t))
    phase = 2 * np.pi * np.cumsum(pitch) / 48_000
    voice = 0.1 * sum(np.sin(k * phase) / k for k in range(1, 20)) * (np.sin(4 * np.pi * t) > -0.3)
    voice += 0.005 * np.random.default_rng(1).standard_normal(len(t))
    proofs: list[int] = []
    proof = phase_discontinuities.proved_step
    monkeypatch.setattr(phase_discontinuities, "proved_step", lambda *a: proofs.append(1) or proof(*a))
    remembers = StreamTracker(48_000)
    for stop in range(48_000, 96_000, 2_400):
        remembers.newest(Take(samples=voice[:stop]), stop - 48_000, stop - 48_000)
    once = len(proofs)
    proofs.clear()
    for stop in range(48_000, 96_000, 2_400):
        StreamTracker(48_000).newest(Take(samples=voice[:stop]), stop - 48_000, stop - 48_000)
    assert 1 <= once <= 8
    assert len(proofs) > 40


def test_a_known_list_hides_no_loss(monkeypatch):
    t = times(3.0)
    tone = 0.3 * np.sin(2 * np.pi * 330 * t) + 1e-4 * np.random.default_rng(1).standard_normal(len(t))
    take = Take(samples=np.concatenate([tone[:70_000], tone[70_061:]]))
    found: list[PhaseStep] = []
    search = chunk.find_steps

    def seen(*arguments):
        cuts = search(*arguments)
        found.extend(step for _, step in cuts)
        return cuts

    monkeypatch.setattr(chunk, "find_steps", seen)
    tracker = StreamTracker(48_000)
    for _ in range(3):
        tracker.newest(take, 0, 0)
    assert len(found) == 3
    assert all(abs(step.missing_samples - 61) < 1 for step in found)


def test_a_sawtooth_with_hiss_is_put_to_the_proof(monkeypatch):
    """The cheap question alone refuses nothing that could be proved: a sweep of a wave with edges."""
    t = times(4.0)
    phase = 110.0 * (2.0 ** (0.4 * t) - 1.0) / (0.4 * np.log(2.0))
    x = 0.3 * (2.0 * (phase % 1.0) - 1.0) + 0.02 * np.random.default_rng(3).standard_normal(len(t))
    assert costly_proofs(monkeypatch, np.concatenate([x[:90_000], x[90_137:]])) >= 1


@pytest.mark.parametrize("lost", [0, 40])
def test_a_start_that_settles_beside_a_thump_is_no_loss(tmp_path: Path, lost: int) -> None:
    """The sides of such a place differ in their mean and their harmonics, not by a shift in time; forty samples cut out
    later are one.
    """
    path, _ = ensure(CLASSES["single"], "even-order-distortion", 31, tmp_path)
    x, rate_hz = soundfile.read(path)
    x = np.concatenate([x[: 2 * rate_hz], x[2 * rate_hz + lost : 3 * rate_hz]])
    steps = frames_of(x, rate_hz, workers=1).phase_steps
    assert [round(step.time_s, 2) for step in steps] == ([2.0] if lost else [])
