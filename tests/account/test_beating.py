"""Two tones that beat, and a level that swings as deep: on sums of sines."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.beating import with_strong_line
from listen.account.fixed_lines import FixedLine
from listen.account.oscillator import SourceClass
from tests.tones import RATE_HZ, check_of, times, white

T = times(6.0)


@pytest.mark.parametrize(("apart_hz", "weaker_db"), [(6.7, -1.9), (3.1, -0.3), (4.0, -8.0), (11.0, 0.0)])
def test_two_near_tones_are_told(apart_hz: float, weaker_db: float) -> None:
    x = 0.2 * np.cos(2 * np.pi * 441.3 * T)
    x += 0.2 * 10 ** (weaker_db / 20) * np.cos(2 * np.pi * (441.3 + apart_hz) * T + 1.0) + white(len(T), -90.0)
    result = check_of(x)
    assert [f.kind for f in result.findings if f.severity != "note"] == ["two-tones"]
    heard = result.judgement.account.heard
    assert heard.low_hz == pytest.approx(441.3, abs=0.3)
    assert heard.high_hz == pytest.approx(441.3 + apart_hz, abs=0.3)
    assert heard.weaker_dbc == pytest.approx(weaker_db, abs=0.5)


def test_a_slow_beat_is_told() -> None:
    t = times(11.0)
    x = 0.2 * np.cos(2 * np.pi * 220.0 * t) + 0.18 * np.cos(2 * np.pi * 221.3 * t) + white(len(t), -90.0)
    assert [f.kind for f in check_of(x).findings if f.severity != "note"] == ["two-tones"]


def test_two_on_one_control_are_told_where_it_rests() -> None:
    f0_hz = 300.0 * 2 ** np.interp(times(11.0), [3.0, 8.0], [0.0, 1.5])
    phase = np.cumsum(f0_hz) / RATE_HZ
    x = 0.2 * np.cos(2 * np.pi * phase) + 0.16 * np.cos(2 * np.pi * 1.012 * phase) + white(len(phase), -90.0)
    assert [f.kind for f in check_of(x).findings if f.severity != "note"] == ["two-tones"]


@pytest.mark.parametrize(("rate_hz", "depth"), [(3.1, 0.3), (6.7, 0.6), (4.0, 0.9)])
def test_a_level_that_swings_deep_is_one_tone(rate_hz: float, depth: float) -> None:
    """Both sidebands are alike, whatever the depth; with the pitch that follows the level, too."""
    swing = np.cos(2 * np.pi * rate_hz * T)
    x = 0.2 * (1 + depth * swing) * np.cos(2 * np.pi * 441.3 * T + 0.05 * swing) + white(len(T), -90.0)
    kinds = [f.kind for f in check_of(x).findings if f.severity != "note"]
    assert "amplitude-hunting" in kinds or "oscillation-dropout" in kinds
    assert "two-tones" not in kinds


@pytest.mark.parametrize(
    ("level_dbc", "own", "source"),
    [(-6.0, None, "two-tones"), (-9.9, False, "two-tones"), (-10.1, None, "oscillator"), (-6.0, True, "oscillator")],
)
def test_a_line_nearly_as_strong_as_the_tone_is_another_oscillator(
    level_dbc: float, own: bool | None, source: str
) -> None:
    """But not one that sounds in the silence too: that is the recording's."""
    line = FixedLine(
        frequency_hz=445.7, time_s=np.zeros(1), level_dbfs=np.zeros(1), level_dbc=level_dbc, of_the_recording=own
    )
    found = with_strong_line(SourceClass(source="oscillator", clean_share=1.0, residual_dbc=-60.0), [line], 880.0)
    assert found.source == source
    if source == "two-tones":
        assert (found.low_hz, found.high_hz, found.weaker_dbc) == (445.7, 880.0, level_dbc)


def test_beats_whose_nulls_part_the_tone_are_told() -> None:
    """A segment of tone ends at each null of 20 dB: 188.84 and 196.57 Hz, the second 0.82 of the first."""
    t = times(8.0)
    x = 0.2 * np.cos(2 * np.pi * 188.84 * t) + 0.164 * np.cos(2 * np.pi * 196.57 * t)
    assert [one.kind for one in check_of(x + white(len(t), -85.0)).findings] == ["two-tones"]


def test_steps_from_one_pitch_to_the_next_are_no_two_tones() -> None:
    """In a window of 2 s both pitches hold a line of their own, and nothing is opposite."""
    t = times(10.0)
    f0_hz = np.where((t // 1.0) % 2 == 0, 188.84, 196.57)
    gate = np.clip(np.minimum(t % 1.0, 1.0 - t % 1.0) / 0.03, 0.0, 1.0)
    x = 0.2 * gate * np.cos(2 * np.pi * np.cumsum(f0_hz) / 48_000.0)
    assert "two-tones" not in [one.kind for one in check_of(x + white(len(t), -85.0)).findings]
