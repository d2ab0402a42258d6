"""Modulation of level and pitch, and second-order settling, against their closed forms.

Sources: amplitude and frequency modulation, common practice; Bessel functions from scipy.special. The step response of
a second-order system: control textbooks (overshoot exp(-pi z / sqrt(1 - z^2))), from memory, checked by scipy.signal.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy.special import jv

import listen
from tests.tones import RATE_HZ, cents, check_of, frames_of, kinds, middle, times, white


def evidence(result: listen.CheckResult, kind: str) -> dict[str, float]:
    found = [f for f in result.findings if f.kind == kind]
    assert len(found) == 1, [f.kind for f in result.findings]
    return dict(found[0].evidence)  # type: ignore[arg-type]


def modulated(depth: float, rate_hz: float, f0_hz: float = 441.3, seconds: float = 4.0) -> np.ndarray:
    t = times(seconds)
    wave = 0.4 * (1 + depth * np.cos(2 * np.pi * rate_hz * t)) * np.cos(2 * np.pi * f0_hz * t)
    return wave + white(len(t), -90.0, 31)


@pytest.mark.parametrize(
    ("depth", "rate_hz"),
    [(0.02, 3.0), (0.05, 7.0), (0.10, 15.0), (0.05, 30.0)],
)
def test_depth_and_rate_of_a_level_that_hunts(depth: float, rate_hz: float) -> None:
    """Depth (max - min) / (max + min) is the modulation index m; sidebands m / 2."""
    facts = evidence(check_of(modulated(depth, rate_hz)), "amplitude-hunting")
    assert facts["rate_hz"] == pytest.approx(rate_hz, rel=0.02)
    assert facts["depth_percent"] == pytest.approx(100 * depth, rel=0.03)


@pytest.mark.parametrize("rate_hz", [3.0, 15.0])
def test_a_level_that_hunts_is_not_called_a_wavering_pitch(rate_hz: float) -> None:
    x = modulated(0.05, rate_hz)
    assert "pitch-instability" not in kinds(check_of(x))
    frames = frames_of(x)
    error = cents(frames.f0_hz[middle(frames, 0.3)], 441.3)
    # cross-talk of 5 % AM into pitch
    assert np.max(np.abs(error)) < 0.1


@pytest.mark.parametrize(("deviation_hz", "rate_hz"), [(2.0, 3.0), (4.0, 6.0), (5.0, 12.0)])
def test_a_pitch_that_wavers_is_not_called_hunting(deviation_hz: float, rate_hz: float) -> None:
    """440 +- 1 Hz is 3.93 cents peak, 2.78 r.m.s."""
    t = times(4.0)
    phase = 2 * np.pi * 440.0 * t + deviation_hz / rate_hz * np.sin(2 * np.pi * rate_hz * t)
    result = check_of(0.4 * np.cos(phase) + white(len(t), -90.0, 32))
    assert kinds(result) == {"pitch-instability"}
    facts = evidence(result, "pitch-instability")
    assert facts["rate_hz"] == pytest.approx(rate_hz, rel=0.03)
    # pitch is smoothed over 8 ms frames; at 12 Hz that takes 2 % off
    assert facts["rms_cents"] == pytest.approx(1200 / np.log(2) * deviation_hz / 440.0 / np.sqrt(2), rel=0.05)


def test_the_carrier_of_a_bessel_null_is_seen_as_a_pitch_all_the_same() -> None:
    """At an index of 2.404826 the line at the carrier vanishes (J0); the phase does not."""
    assert jv(0, 2.404826) == pytest.approx(0.0, abs=1e-6)
    t = times(3.0)
    rate_hz = 2.0
    frames = frames_of(0.4 * np.cos(2 * np.pi * 800.0 * t + 2.404826 * np.sin(2 * np.pi * rate_hz * t)))
    rows = middle(frames)
    want = 800.0 + 2.404826 * rate_hz * np.cos(2 * np.pi * rate_hz * frames.time_s)
    # curvature is undone to the second order: 1e-3 cents are left of a swing of 10
    np.testing.assert_allclose(cents(frames.f0_hz[rows], want[rows]), 0.0, atol=5e-3)


@lru_cache
def settling(damping: float, omega: float = 30.0) -> tuple[np.ndarray, np.ndarray]:
    """Step response of a second-order system over two seconds: time, value."""
    t = times(2.0)
    damped = np.sqrt(1 - damping**2)
    ringing = np.cos(damped * omega * t) + damping / damped * np.sin(damped * omega * t)
    return t, 1 - np.exp(-damping * omega * t) * ringing


@pytest.mark.parametrize(
    ("damping", "overshoot_percent"), [(0.1, 72.925), (0.2, 52.662), (0.3, 37.233), (0.5, 16.303), (0.7, 4.599)]
)
def test_the_step_response_has_the_textbooks_overshoot(damping: float, overshoot_percent: float) -> None:
    assert 100 * (settling(damping)[1].max() - 1) == pytest.approx(overshoot_percent, abs=5e-3)


@pytest.mark.parametrize("size", [0.2, -0.2])
@pytest.mark.parametrize("damping", [0.1, 0.2, 0.3, 0.5, 0.7])
def test_a_bounce_after_a_retune(damping: float, size: float) -> None:
    """1 kHz becomes 1.25 kHz, and the level goes to 1 + s along the step response: within 0.1 dB."""
    facts, off_db = bounced(damping, size)
    if size > 0:
        assert facts["overshoot_db"] == pytest.approx(off_db.max(), abs=0.1)
    # the first 12 ms after the retune are left out: the largest deviation later than that
    later = np.abs(off_db[round(0.012 * RATE_HZ) :]).max()
    assert facts["deviation_db"] == pytest.approx(later, abs=0.1)


@pytest.mark.parametrize("damping", [0.1, 0.2, 0.3, 0.5, 0.7])
def test_how_long_a_bounce_takes(damping: float) -> None:
    """Time from the retune until the level stays within 0.5 dB: 5 ms or 2 %."""
    facts, off_db = bounced(damping, 0.2)
    settled_s = np.flatnonzero(np.abs(off_db) > 0.5)[-1] / RATE_HZ
    assert facts["settle_s"] == pytest.approx(settled_s, abs=max(0.005, 0.02 * settled_s))


@lru_cache
def bounced(damping: float, size: float) -> tuple[dict[str, float], np.ndarray]:
    """Evidence of a bounce, and the true deviation from the settled level at each sample after the retune."""
    t, response = settling(damping)
    before = 1.5
    n = round(before * RATE_HZ)
    envelope = np.concatenate([np.ones(n), 1 + size * response])
    phase = np.cumsum(np.concatenate([np.full(n, 1000.0), np.full(len(t), 1250.0)])) / RATE_HZ
    x = 0.4 * envelope * np.cos(2 * np.pi * phase) + white(len(phase), -90.0, 33)
    return evidence(check_of(x), "amplitude-bounce"), 20 * np.log10((1 + size * response) / (1 + size))
