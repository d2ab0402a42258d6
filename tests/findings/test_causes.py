"""One cause, one finding; what the recording does is the recording's; what is normal for which build; not shown."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from listen.bench import Bench, CaptureSettings
from tests.findings import takes
from tests.tones import RATE_HZ, bent, check_of, coupled, exponential, kinds, smooth_turn, steady, times, white


def severe(result) -> list[tuple[str, str]]:
    return [(f.kind, f.severity) for f in result.findings if f.severity != "note"]


@pytest.mark.parametrize("wave", ["triangle", "sawtooth", "square"])
def test_a_healthy_core_has_no_finding(wave: str) -> None:
    assert kinds(check_of(takes.standard_wave(wave), wave=wave)) == set()


@pytest.mark.parametrize("rate_hz", [22_050.0, 44_100.0, 96_000.0])
def test_a_healthy_sine_has_no_finding_at_any_rate(rate_hz: float) -> None:
    phase, _ = smooth_turn(80.0, 1800.0, 2.5, rate_hz)
    x = 0.4 * np.cos(2 * np.pi * phase) + white(len(phase), -92.0, 71)
    assert severe(check_of(x, rate_hz)) == []


@pytest.mark.parametrize("loss", [3.0, 10.0, 18.0])
def test_harmonics_of_clipping_are_not_said_again(loss: float) -> None:
    """A loss of 18 % has some 9 % of harmonics, even and odd."""
    assert kinds(check_of(takes.clipped(loss))) == {"asymmetric-clipping"}
    assert kinds(check_of(takes.clipped(loss, "both"))) == {"symmetric-clipping"}


def test_a_level_that_grows_into_a_rail_is_clipping_first() -> None:
    phase, f0_hz = smooth_turn(180.0, 900.0, 1.6, 8 * RATE_HZ, 0.8)
    growing = 0.34 + 0.06 * np.log(f0_hz / 180.0) / np.log(5.0)

    from tests.tones import decimated

    x = decimated(np.minimum(growing * np.cos(2 * np.pi * phase), 0.36))
    result = check_of(takes.noisy(x))
    assert result.findings[0].kind == "asymmetric-clipping"
    assert kinds(result) <= {"asymmetric-clipping", "level-drift"}
    assert result.findings[0].f0_low_hz == pytest.approx(180.0 * 5.0 ** (0.02 / 0.06), rel=0.5)


@pytest.mark.parametrize(("peak", "half"), [(1.3, "both"), (1.05, "both")])
def test_an_overloaded_interface_is_not_blamed_on_the_circuit(peak: float, half: str) -> None:
    phase, _ = takes.turned()
    x = np.clip(peak * np.cos(2 * np.pi * phase) + white(len(phase), -90.0, 72), -1.0, 1.0 - 2**-23)
    result = check_of(x)
    assert kinds(result) == {"capture-overload"}
    assert next(f.half for f in result.findings if f.kind == "capture-overload") == half


def test_an_offset_overloads_one_half_only() -> None:
    phase, _ = takes.turned()
    x = np.clip(0.95 * np.cos(2 * np.pi * phase) + 0.2 + white(len(phase), -90.0, 73), -1.0, 1.0 - 2**-23)
    result = check_of(x)
    assert kinds(result) == {"capture-overload"}
    assert next(f.half for f in result.findings if f.kind == "capture-overload") == "positive"


def test_hum_that_is_there_in_the_silence_is_the_recordings() -> None:
    t = times(4.0)
    hum = 0.004 * np.cos(2 * np.pi * 50.0 * t)
    x = np.where(t > 1.5, 0.4 * np.cos(2 * np.pi * 437.0 * t), 0.0) + hum + white(len(t), -92.0, 74)
    result = check_of(x)
    assert severe(result) == [("mains-hum", "attention")]
    found = result.findings[0]
    assert found.evidence["in_silence"] is True
    assert "recording" in found.sentence


def test_hum_that_comes_with_the_tone_is_not_the_recordings() -> None:
    t = times(4.0)
    x = np.where(t > 1.5, 0.4 * np.cos(2 * np.pi * 437.0 * t) + 0.004 * np.cos(2 * np.pi * 50.0 * t), 0.0)
    found = next(f for f in check_of(x + white(len(t), -92.0, 75)).findings if f.kind == "mains-hum")
    assert not found.evidence["in_silence"]


@pytest.mark.parametrize(
    ("half", "corner_hz"), [("positive", 5.0), ("negative", 10.0), ("positive", 20.0), ("negative", 20.0)]
)
def test_coupling_never_swaps_a_half(half: str, corner_hz: float) -> None:
    """Clipped, then AC-coupled, tones from 25 Hz: without the corner no half may be named wrongly, with it rightly."""
    sign = 1.0 if half == "positive" else -1.0
    x = bent(lambda c: sign * 0.4 * np.minimum(sign * c, 0.88), lambda rate_hz: exponential(25.0, 300.0, 2.5, rate_hz))
    x = takes.noisy(coupled(x, corner_hz))
    shapes = ("asymmetric-clipping", "even-order-distortion")
    for f in check_of(x).findings:
        if f.kind in shapes and f.half is not None and f.half_certain:
            assert f.half == half
    known = Bench(capture=CaptureSettings(ac_coupling_hz=corner_hz))
    assert {f.half for f in check_of(x, bench=known).findings if f.kind in shapes} == {half}


@pytest.mark.parametrize("corner_hz", [5.0, 20.0])
def test_a_steady_low_note_near_the_corner_names_no_half_wrongly(corner_hz: float) -> None:
    """At twice the corner the wrong half looks lost."""
    wave = bent(lambda c: 0.4 * np.minimum(c, 0.9), lambda rate_hz: steady(2 * corner_hz + 20.0, 3.0, rate_hz))
    x = coupled(wave, corner_hz)
    for f in check_of(takes.noisy(x)).findings:
        if f.half_certain and f.kind == "asymmetric-clipping":
            assert f.half == "positive"


def test_missing_samples_are_the_recordings() -> None:
    t = times(4.0)
    x = 0.4 * np.cos(2 * np.pi * 437.0 * t)
    cut = np.concatenate([x[:90_000], x[90_033:]]) + white(len(x) - 33, -92.0, 76)
    assert kinds(check_of(cut)) == {"capture-gap"}
    x[90_000:90_480] = 0.0
    assert kinds(check_of(x + np.where(x == 0.0, 0.0, white(len(x), -92.0, 77)))) == {"capture-gap"}


@pytest.mark.parametrize(("dbfs", "severity"), [(-46.0, None), (-54.0, "attention"), (-74.0, "fault")])
def test_a_take_that_is_too_quiet(dbfs: float, severity: str | None) -> None:
    phase, _ = takes.turned()
    x = 10 ** (dbfs / 20) * np.cos(2 * np.pi * phase) + white(len(phase), -110.0, 78)
    expected = [("capture-quiet", severity)] if severity else []
    assert severe(check_of(x)) == expected


def test_a_narrow_band_is_a_note_and_no_verdict() -> None:
    phase, _ = takes.turned(low_hz=2000.0, high_hz=9000.0)
    result = check_of(takes.noisy(0.4 * np.cos(2 * np.pi * phase)))
    assert [f.kind for f in result.findings] == ["capture-bandwidth"]
    assert result.verdict == "pass"


@pytest.mark.parametrize(
    ("maker", "size", "stated", "expected"),
    [
        (takes.rounded, 2.0, None, [("odd-order-distortion", "attention")]),
        (takes.rounded, 2.0, "diodes", []),
        (takes.rounded, 7.0, "diodes", [("odd-order-distortion", "fault")]),
        (takes.rounded, 0.6, None, []),
        (takes.rounded, 0.6, "lamp", [("odd-order-distortion", "attention")]),
        (takes.drifting, 2.2, None, [("level-drift", "attention")]),
        (takes.drifting, 2.2, "diodes", []),
        (takes.drifting, 9.0, "diodes", [("level-drift", "fault")]),
    ],
)
def test_what_is_normal_depends_on_the_gain_control(maker, size, stated, expected) -> None:
    assert severe(check_of(maker(size), gain_control=stated)) == expected


def test_a_lamp_may_bounce_for_seconds() -> None:
    x = takes.stepped(lambda t: 10 ** (1.8 / 20 * np.exp(-t / 0.6) * np.cos(8 * t)))
    assert kinds(check_of(x)) == {"amplitude-bounce"}
    assert kinds(check_of(x, gain_control="lamp")) == set()


def test_a_users_limits_change_single_keys(tmp_path: Path) -> None:
    limits = tmp_path / "limits.toml"
    limits.write_text("[asymmetric-clipping]\nfault = 20.0\n[level-drift]\nattention = 0.5\n")
    assert severe(check_of(takes.clipped(12.0), limits=limits)) == [("asymmetric-clipping", "attention")]
    assert severe(check_of(takes.drifting(0.8), limits=limits)) == [("level-drift", "attention")]


def test_clipping_that_a_user_allows_is_not_said_as_something_else(tmp_path: Path) -> None:
    limits = tmp_path / "limits.toml"
    limits.write_text("[asymmetric-clipping]\nattention = 15.0\nfault = 20.0\n")
    assert severe(check_of(takes.clipped(12.0), limits=limits)) == []


def questions(x: np.ndarray) -> set[str]:
    return {item.question for item in check_of(x).not_shown}


def test_what_a_take_does_not_show_is_said() -> None:
    assert "start" in questions(takes.sine())
    assert "start" not in questions(takes.starting(0.05))
    assert "pitch" in questions(takes.starting(0.05))
    assert "pitch" not in questions(takes.sine())
    phase, _ = takes.turned(low_hz=500.0, high_hz=9000.0)
    assert "clean" in questions(takes.noisy(0.4 * np.cos(2 * np.pi * phase)))
    sweep = takes.noisy(0.4 * np.cos(2 * np.pi * exponential(150.0, 2000.0, 3.0)))
    assert "hold" in questions(sweep)


def test_silence_before_power_and_the_thump_are_no_fault() -> None:
    t = times(4.0)
    thump = np.where(t > 1.0, 0.1 * np.exp(-np.maximum(t - 1.0, 0.0) / 0.03), 0.0)
    x = np.where(t > 1.02, 0.4 * np.minimum(1.0, np.maximum(t - 1.02, 0.0) / 0.05) * np.cos(2 * np.pi * 437.0 * t), 0.0)
    result = check_of(x + thump + white(len(t), -95.0, 79))
    assert severe(result) == []
    assert result.summary["start_s"] == pytest.approx(0.045, abs=0.02)


def test_of_what_is_no_board_there_is_no_table_and_no_open_question() -> None:
    """Two oscillators at once: their mixture has no THD, no notes and nothing that the take should have shown."""
    t = times(3.0)
    result = check_of(0.2 * np.cos(2 * np.pi * 331.0 * t) + 0.2 * np.cos(2 * np.pi * 502.3 * t) + white(len(t), -80.0))
    assert kinds(result) == {"two-tones"}
    assert result.judgement.sweep == ()
    assert result.not_shown == ()
