"""Rising and falling slope limits of one take, against a follower that has them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

import listen
from listen.bench import Bench, BuildSettings, CaptureSettings
from listen.demo import waves

RATE_HZ, OVER = 48000, 8
PEAK_V, TOP_HZ = 6.0, 2400.0
NEED_V_PER_US = 2e-6 * np.pi * TOP_HZ * PEAK_V


def followed(path: Path, rising: float, falling: float) -> listen.CheckResult:
    """A sine swept upward behind a follower of these limits, volts a microsecond."""
    rate_hz = OVER * RATE_HZ
    time_s = np.arange(int(2.6 * rate_hz)) / rate_hz
    f0_hz = 240.0 * (TOP_HZ / 240.0) ** np.clip((time_s - 0.3) / 2.0, 0.0, 1.0)
    wave, step = PEAK_V * np.cos(2 * np.pi * np.cumsum(f0_hz) / rate_hz), 1e6 / rate_hz
    out = np.empty_like(wave)
    waves.slew(wave, rising * step, falling * step, out)
    x = signal.decimate(out, OVER, ftype="fir") / 15.0
    x += 10 ** (-75 / 20) * np.random.default_rng(5).standard_normal(len(x))
    soundfile.write(path, x, RATE_HZ, subtype="PCM_24")
    build = BuildSettings(topology="wien-bridge", gain_control="jfet")
    capture = CaptureSettings(volts_per_full_scale=15.0, ac_coupling_hz=0.0, inverted=False)
    return listen.check(path, bench=Bench(build=build, capture=capture), threads=1)


@pytest.mark.parametrize(("rising", "falling"), [(0.8, 0.6), (0.55, 0.8)])
def test_both_limits_of_an_amplifier_are_told_apart(tmp_path: Path, rising: float, falling: float) -> None:
    result = followed(tmp_path / "take.wav", rising * NEED_V_PER_US, falling * NEED_V_PER_US)
    assert next(f.kind for f in result.findings if f.severity != "note") == "slew-limiting"
    assert not {"even-order-distortion", "odd-order-distortion", "level-drift"} & {f.kind for f in result.findings}
    assert result.circuit is not None
    assert [ranked.ranked[0].id for ranked in result.circuit.causes if ranked.finding == "slew-limiting"] == ["slew"]
    for quantity, truth in ((result.circuit.slew_rising, rising), (result.circuit.slew_falling, falling)):
        assert quantity.bound is None
        assert quantity.value == pytest.approx(truth * NEED_V_PER_US, rel=0.02)
    least = min((result.circuit.slew_rising, result.circuit.slew_falling), key=lambda quantity: quantity.value or 0.0)
    assert result.circuit.slew_rate_v_per_us == least


def test_a_slope_that_is_not_held_has_a_bound_alone(tmp_path: Path) -> None:
    result = followed(tmp_path / "take.wav", 1.4 * NEED_V_PER_US, 0.6 * NEED_V_PER_US)
    assert result.circuit is not None
    rising, falling = result.circuit.slew_rising, result.circuit.slew_falling
    assert rising.bound == "at-least"
    assert rising.value is not None
    assert 0.8 * NEED_V_PER_US < rising.value < 1.01 * NEED_V_PER_US
    assert falling.value == pytest.approx(0.6 * NEED_V_PER_US, rel=0.02)
