"""Figures of a take, and which questions it leaves open."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from listen.account import Start
from listen.account.mains import MainsLines
from listen.account.oscillator import SourceClass
from listen.account.settling import Settling
from listen.bench import RecorderSettings
from listen.findings import load_limits, recorder_limits, sweep
from listen.findings.judge import _disturbed
from listen.findings.rules_hold import hold_candidates
from listen.findings.rules_level import level_candidates
from listen.findings.rules_lines import _lasts_s
from listen.findings.words import words
from tests.accounts import account_of, plain_frames, segment, tone_of
from tests.findings.test_words_and_figures import FRAMES, SHOWN, law


def test_the_figures_of_a_take() -> None:
    level = np.linspace(-12.0, -10.0, 200)
    thd = np.linspace(0.1, 2.09, 200)
    start = replace(SHOWN, rise_s=0.44)
    made = account_of(plain_frames(200, f0_hz=FRAMES.f0_hz, level_dbfs=level, thd_percent=thd), start=start)
    found = sweep.summary(made)
    assert found["level_span_db"] == pytest.approx(2.0 * 0.99)
    assert (found["f0_low_hz"], found["f0_high_hz"]) == (220.0, pytest.approx(880.0))
    assert (found["level_dbfs"], found["thd_median_percent"]) == (pytest.approx(-11.0), pytest.approx(1.095))
    assert found["thd_worst_percent"] == pytest.approx(thd[197])
    assert (found["start_s"], found["oscillating_s"]) == (0.44, pytest.approx(4.0))
    assert sweep.summary(replace(made, start=replace(start, shown=False)))["start_s"] is None
    silent = account_of(plain_frames(10, oscillating=np.zeros(10, dtype=bool)), tone=None)
    assert (sweep.summary(silent)["f0_low_hz"], sweep.summary(silent)["oscillating_s"]) == (None, 0.0)
    assert sweep.sweep_rows(silent) == ()
    two = SourceClass(source="two-tones", clean_share=0.1, residual_dbc=-3.0)
    assert sweep.summary(replace(made, heard=two))["level_dbfs"] is None


def test_thirds_of_an_octave_hold_the_boards_own_rows() -> None:
    frames = plain_frames(100, f0_hz=np.where(np.arange(100) < 60, 250.0, 500.0), level_dbfs=-12.0)
    tone = replace(tone_of(frames), rows=np.arange(100) >= 10)
    low, high = sweep.sweep_rows(account_of(frames, tone=tone))
    assert (low.seconds, high.seconds) == (pytest.approx(1.0), pytest.approx(0.8))
    assert low.f0_low_hz < 250.0 < low.f0_high_hz < high.f0_low_hz < 500.0 < high.f0_high_hz
    assert low.level_dbfs == -12.0
    (one,) = sweep.sweep_rows(account_of(plain_frames(1), tone=None, heard=SourceClass(
        source="two-tones", clean_share=0.1, residual_dbc=-3.0)))  # fmt: skip
    assert one.seconds == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("given", "questions"),
    [
        ({}, []),
        ({"frames": plain_frames(9, f0_hz=np.linspace(440.0, 466.0, 9))}, ["pitch"]),
        ({"frames": plain_frames(9, f0_hz=np.linspace(440.0, 467.0, 9))}, []),
        ({"start": Start(shown=False)}, ["start"]),
        ({"rests": 0}, ["hold"]),
        ({"disturbed": True}, ["hold"]),
        ({"retuned": 0}, ["hold"]),
        ({"frames": plain_frames(9, f0_hz=np.linspace(440.0, 7190.0, 9))}, []),
        ({"frames": plain_frames(9, f0_hz=np.linspace(440.0, 7210.0, 9))}, ["clean"]),
        ({"frames": plain_frames(9, f0_hz=np.linspace(440.0, 10_810.0, 9))}, ["clean"]),
        ({"half_unknown": True}, ["clean"]),
    ],
)
def test_which_questions_a_take_leaves_open(given: dict[str, Any], questions: list[str]) -> None:
    """A semitone is a turn; 0.45 of the rate over two and three hide the second and the third harmonic."""
    values = {"frames": FRAMES, "start": SHOWN, "rests": 2, "retuned": 1, "sample_rate_hz": 48_000.0} | given
    found = sweep.not_shown(**values, words=words()["not_shown"])
    assert [item.question for item in found] == questions
    highest_hz = float(values["frames"].f0_hz.max())
    if highest_hz > 7200.0:
        text = found[0].why + found[0].mend
        assert ("10.8 kHz" if highest_hz > 10_800.0 else "7.2 kHz") in text
        assert "96 kHz" in text


def open_by_recorder(
    own_dbc: float, empty_rows: int, hum_dbc: float = -90.0, hum_dbfs: float | None = None, loud: int = 0
) -> list[str]:
    """What is said of a recorder with a second harmonic of its own, and hum."""
    harmonics_dbc = np.array(FRAMES.harmonics_dbc)
    harmonics_dbc[:empty_rows, 0] = np.nan
    frames = plain_frames(200, f0_hz=FRAMES.f0_hz, harmonics_dbc=harmonics_dbc)
    amplitude = np.zeros((10, 8), dtype=complex)
    amplitude[:, 0] = 10 ** ((hum_dbc - 12.0) / 20)
    amplitude[:loud, 0] *= 10.0
    mains = MainsLines(
        mains_hz=50.0,
        time_s=0.4 + 0.1 * np.arange(10),
        lines_hz=50.0 * np.arange(1, 9),
        amplitude=amplitude,
        seen=np.ones((10, 8), dtype=bool),
        level_dbc=np.full(10, hum_dbc),
        singing=np.ones(10, dtype=bool),
        wander_rad=np.zeros(10),
    )
    settings = RecorderSettings(level_dbfs=(-40.0, 0.0), harmonics_dbc={2: (own_dbc, own_dbc)}, hum_dbfs=hum_dbfs)
    account = account_of(frames, mains=mains)
    assert recorder_limits.not_shown(account, None, words()["not_shown"]) == ()
    return [item.why for item in recorder_limits.not_shown(account, settings, words()["not_shown"])]


def test_what_the_recorder_hides() -> None:
    """In most rows, and no less than a ten-thousandth; hum from 6 dB under its limit on, where it is the recorder's."""
    assert len(open_by_recorder(-60.0, 101)) == 1
    assert open_by_recorder(-60.0, 99) == []
    assert len(open_by_recorder(-79.0, 200)) == 1
    assert open_by_recorder(-81.0, 200) == []
    (said,) = open_by_recorder(-90.0, 0, hum_dbc=-55.0, hum_dbfs=-68.0)
    assert "-68 dBFS" in said
    assert open_by_recorder(-90.0, 0, hum_dbc=-57.0, hum_dbfs=-68.0) == []
    assert open_by_recorder(-90.0, 0, hum_dbc=-55.0, hum_dbfs=-74.0) == []
    assert len(open_by_recorder(-90.0, 0, hum_dbc=-55.0, hum_dbfs=-68.0, loud=4)) == 1
    assert open_by_recorder(-90.0, 0, hum_dbc=-55.0, hum_dbfs=-68.0, loud=6) == []
    assert "0.1 %" in open_by_recorder(-60.0, 200)[0] or "0.10 %" in open_by_recorder(-60.0, 200)[0]


@pytest.mark.parametrize(
    ("sizes", "lasts_s"),
    [([1.0] * 5, 1.3), ([0.2, 1.0, 0.2], 0.14), ([0.6, 1.0, 0.2], 0.58), ([0.4, 1.0, 0.45], 0.185), ([0.0], 0.0)],
)
def test_how_long_a_hum_lasts_by_its_size_in_windows(sizes: list[float], lasts_s: float) -> None:
    """A tenth of a second a window; half a window more at an end at which it is over half of its size."""
    n = len(sizes)
    amplitude = np.zeros((n, 8), dtype=complex)
    amplitude[:, 1] = 0.01 * np.array(sizes)
    mains = SimpleNamespace(amplitude=amplitude)
    assert _lasts_s(mains, 0, n) == pytest.approx(lasts_s)  # type: ignore[arg-type]


def test_a_bump_of_the_level_is_placed_where_it_is_a_third_of_its_height() -> None:
    """A Gaussian of 1 s about the sixth second is 0.35 of its height 1.02 s off its top."""
    t = np.linspace(0.0, 12.0, 601)
    bump = 2.0 * np.exp(-((t - 6.0) ** 2))
    made = replace(
        law(span_db=2.0), time_s=t, law_db=bump, rest_db=np.zeros(577), f0_hz=np.geomspace(220.0, 880.0, 601)
    )
    (found,) = level_candidates(account_of(FRAMES, law=made), load_limits(None, gain_control=None))
    assert (found.start_s, found.end_s) == (pytest.approx(4.98, abs=0.03), pytest.approx(7.02, abs=0.03))


def test_a_bounce_that_is_over_at_once_has_a_length_all_the_same() -> None:
    ring = Settling(retune_s=1.0, f0_hz=440.0, ring=True, deviation_db=1.5, settle_s=0.02, decay_s=0.02)
    (found,) = hold_candidates(account_of(FRAMES, settlings=(ring,)), load_limits(None, gain_control=None))
    assert (found.start_s, found.end_s) == (1.0, pytest.approx(1.05))


@pytest.mark.parametrize(("rested_s", "piece_s", "disturbed"), [(1.9, 0.6, False), (2.2, 0.6, True), (2.2, 1.1, False)])
def test_two_seconds_of_rest_are_meant_to_show_the_hold(rested_s: float, piece_s: float, disturbed: bool) -> None:
    account = account_of(FRAMES, resting=FRAMES.time_s <= rested_s, segments=(segment(1.0, 1.0 + piece_s),))
    assert _disturbed(account) is disturbed
