"""What a take's figures, answers and headline say, on accounts made by hand: each sentence on both sides."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from listen.account import Start
from listen.account.accounting import Share, Shares
from listen.account.level_law import LevelLaw, fit_level_law
from listen.account.oscillator import SourceClass
from listen.findings import load_limits
from listen.findings.judge import candidates_of, judge
from listen.findings.limits import in_steps, severity_of, times_over
from listen.findings.rules_level import _moves_at_rest
from listen.findings.rules_source import source_candidates
from listen.findings.words import _from_onset, _one_note, _written, answers, headline
from tests.accounts import account_of, plain_frames, whole_damage
from tests.findings.examples import EXAMPLES
from tests.helpers import make_finding

FRAMES = plain_frames(200, f0_hz=np.geomspace(220.0, 880.0, 200))
SUMMARY: dict[str, Any] = {
    "f0_low_hz": 220.0,
    "f0_high_hz": 880.0,
    "level_dbfs": -9.0,
    "level_span_db": 0.4,
    "thd_median_percent": 0.5,
    "thd_worst_percent": 1.3,
    "thd_worst_f0_hz": 440.0,
    "thd_harmonics": 10.0,
    "start_s": 0.3,
}
SHOWN = Start(shown=True, rise_s=0.3, f0_hz=440.0)


def law(span_db: float = 0.2, time_span_db: float = 0.1) -> LevelLaw:
    made = fit_level_law(FRAMES.time_s, FRAMES.f0_hz, np.full(len(FRAMES), -9.0), True)
    assert made is not None
    return replace(made, span_db=span_db, time_span_db=time_span_db)


def answered(*kinds: str, wave: str = "sine", account: dict[str, Any] | None = None, **figures: Any) -> dict[str, str]:
    made = account_of(FRAMES, **({"law": law(), "start": SHOWN} | (account or {})))
    return answers(SUMMARY | figures, [make_finding(kind) for kind in kinds], wave, made)


# Answers


@pytest.mark.parametrize(("high_hz", "said"), [(224.3, "one note"), (224.5, "sings from")])
def test_a_third_of_a_semitone_is_one_note(high_hz: float, said: str) -> None:
    assert said in answered(f0_high_hz=high_hz)["pitch"]
    assert _one_note(220.0, high_hz) is (said == "one note")
    assert ", but " in answered("pitch-instability", f0_high_hz=high_hz)["pitch"]
    assert ", but " not in answered("amplitude-hunting", f0_high_hz=high_hz)["pitch"]


@pytest.mark.parametrize(("rise_s", "said"), [(0.099, "within"), (0.101, "from 1 %"), (0.0004, "within 1.0 ms")])
def test_a_start_within_a_tenth_of_a_second_is_quick(rise_s: float, said: str) -> None:
    assert said in answered(start_s=rise_s)["start"]
    assert answered(start_s=None)["start"].startswith("Not shown")
    assert answered(account={"start": Start(shown=False)})["start"].startswith("Not shown")


@pytest.mark.parametrize(
    ("raw_db", "law_db", "time_db", "said"),
    [
        (1.0, 5.0, 0.1, "holds within 1.0 dB at -9.0 dBFS."),
        (1.1, 1.0, 0.1, "holds within 1.0 dB at -9.0 dBFS; the 1.1 dB that it moves"),
        (1.1, 1.05, 0.1, "The level moves by 1.1 dB"),
        (1.4, 0.1, 1.2, "The level moves by 1.4 dB"),
        (0.9, 0.1, 0.3, "holds within 0.3 dB"),
    ],
)
def test_what_is_said_of_the_level(raw_db: float, law_db: float, time_db: float, said: str) -> None:
    """Up to 1 dB it holds; over it, the input's coupling has it where the board's own law stays under 1 dB."""
    assert said in answered(level_span_db=raw_db, account={"law": law(law_db, time_db)})["hold"]


def test_what_is_said_of_the_level_without_a_law_and_with_a_fault() -> None:
    assert "moves by 1.2 dB" in answered(level_span_db=1.2, account={"law": None})["hold"]
    assert answered(level_span_db=None, account={"law": None})["hold"].startswith("The level holds within 0.0 dB")
    assert answered("amplitude-hunting")["hold"].endswith(": see below.")
    # a limiter is named where the loop holds the level alone
    assert "loop holds" not in answered("slew-limiting", level_span_db=0.9)["hold"]
    assert "loop holds" in answered("slew-limiting", level_span_db=1.9)["hold"]


def clean(*kinds: str, share: float = 0.0, wave: str = "sine", severity: str = "fault", **figures: Any) -> str:
    """The fourth answer where the findings' part makes a share of the distortion's square."""
    shares = Shares(thd=(Share(part="curve", value=share**0.5), Share(part=None, value=(1 - share) ** 0.5)))
    found = [make_finding(kind, part="curve", severity=severity) for kind in kinds]
    account = account_of(FRAMES, shares=shares, law=law(), start=SHOWN)
    return answers(SUMMARY | figures, found, wave, account)["clean"]


def test_a_cause_is_named_where_it_makes_a_tenth_of_the_distortion() -> None:
    assert clean("asymmetric-clipping", share=0.105).startswith("THD reaches 1.3 % at 440 Hz (A4): one half flattened.")
    said = clean("asymmetric-clipping", share=0.095)
    assert said.startswith("THD is 1.3 % at most (H2 to H10), 0.50 % in the median.")
    assert said.endswith("Beside it: one half flattened.")
    assert "Beside" not in clean("asymmetric-clipping", share=0.5, severity="note")
    assert "Beside" not in clean("amplitude-hunting", share=0.5)
    assert clean("asymmetric-clipping", share=1.0, thd_worst_f0_hz=None).startswith("THD reaches")


@pytest.mark.parametrize(
    ("wave", "kinds", "said"),
    [
        ("sine", (), "THD is"),
        ("triangle", (), "No tip is cut off"),
        ("any", (), "the shape of this wave is not judged."),
        ("triangle", ("asymmetric-clipping",), "see below. Harmonics come to"),
        ("any", ("asymmetric-clipping",), "Beside it: one half flattened."),
    ],
)
def test_what_is_said_of_each_waves_shape(wave: str, kinds: tuple[str, ...], said: str) -> None:
    assert said in clean(*kinds, wave=wave)


@pytest.mark.parametrize(("median_percent", "said"), [(44.9, False), (45.1, True)])
def test_more_than_a_squares_harmonics_are_hardly_meant_as_a_sine(median_percent: float, said: bool) -> None:
    assert ("--wave" in clean(thd_median_percent=median_percent)) is said
    assert "--wave" not in clean(thd_median_percent=median_percent, wave="square")
    assert clean(thd_median_percent=None).startswith("No harmonic fits")
    assert clean(thd_worst_percent=None).startswith("No harmonic fits")


@pytest.mark.parametrize(("source", "said"), [("absent", "No tone"), ("oscillator", "No tone"), ("two-tones", "Not")])
def test_without_figures_nothing_is_judged(source: Any, said: str) -> None:
    account = {"heard": SourceClass(source=source, clean_share=0.1, residual_dbc=-3.0)}
    for figures in ({"f0_low_hz": None}, {"f0_high_hz": None}):
        assert answered(account=account, **figures)["pitch"].startswith(said)


@pytest.mark.parametrize(
    ("figures", "wave", "said"),
    [
        ({}, "sine", "A healthy build as far as this take shows: 220 Hz (A3) to 880 Hz (A5), level within 0.2 dB, "),
        ({"f0_high_hz": 222.0}, "sine", "A healthy build as far as this take shows: 220 Hz (A3), level within 0.2 dB,"),
        ({}, "triangle", "Nothing wrong found in this take:"),
        ({"thd_worst_percent": None}, "sine", "Nothing wrong found in this take:"),
        ({"thd_worst_percent": float("nan")}, "sine", "Nothing wrong found in this take:"),
        ({"f0_low_hz": None}, "sine", "Nothing was found."),
        ({"f0_high_hz": None}, "sine", "Nothing was found."),
    ],
)
def test_the_headline_of_a_take_without_findings(figures: dict[str, Any], wave: str, said: str) -> None:
    account = account_of(FRAMES, law=law())
    text = headline([], SUMMARY | figures, wave, account)
    assert text.startswith(said)
    assert "nan" not in text
    assert headline([make_finding(severity="note")], SUMMARY | figures, wave, account) == text


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("excess_gain", 0.0039, "0.39 %"),
        ("dc_fs", 0.0512, "5.1 %"),
        ("sample_rate_hz", 44_100.0, "44.1 kHz"),
        ("places", 1, "one place"),
        ("places", 2, "2 places"),
        ("level_dbc", -41.3, "-41 dBc"),
        ("clean_percent", 31.2, "31 %"),
        ("wave", "triangle", "triangle"),
        ("rests", 3, "3"),
    ],
)
def test_a_number_is_written_by_its_unit(name: str, value: Any, text: str) -> None:
    assert _written(name, value) == text


@pytest.mark.parametrize(
    ("high_hz", "top_hz", "said"),
    [(1620.0, 2000.0, "upward"), (1590.0, 2000.0, " to "), (226.0, 2000.0, "at 220"), (227.0, 2000.0, " to ")],
)
def test_a_finding_near_the_top_goes_on_upward(high_hz: float, top_hz: float, said: str) -> None:
    """A third of an octave below the take's highest, or nearer; within half a semitone it is at one note."""
    candidate = next(e for e in EXAMPLES if e.measured.evidence().get("onset_f0_hz")).candidate()
    numbers = replace(candidate.measured, onset_f0_hz=220.0)  # type: ignore[call-arg]
    assert said in _from_onset(replace(candidate, measured=numbers, f0_high_hz=high_hz), top_hz)


# Limits and order


def test_which_limit_a_value_passes() -> None:
    row = {"attention": 1.0, "fault": 3.0, "attention_settling_s": 0.5}
    assert [severity_of(v, row) for v in (0.99, 1.0, 2.99, 3.0)] == [None, "attention", "attention", "fault"]
    assert [severity_of(v, row, "_settling_s") for v in (0.49, 0.5, 99.0)] == [None, "attention", "attention"]


def test_how_many_times_over_its_limit_a_finding_is() -> None:
    """A level in dBc counts as the amplitude that it is: 20 dB are ten times. The recording's own come first."""
    limits = load_limits(None, gain_control=None)
    by_kind = {e.kind: e for e in EXAMPLES}
    hum = by_kind["mains-hum"].finding("attention")
    limit = limits["mains-hum"]["attention"]
    numbers = replace(hum.measured, level_dbc=limit + 20.0)  # type: ignore[call-arg]
    assert times_over(replace(hum, measured=numbers), limits) == pytest.approx(10.0)
    level = by_kind["level-drift"].finding("attention")
    limit = limits["level-drift"]["attention"]
    numbers = replace(level.measured, span_db=2.5 * limit)  # type: ignore[call-arg]
    assert times_over(replace(level, measured=numbers), limits) == pytest.approx(2.5)
    assert times_over(by_kind["capture-gap"].finding("attention"), limits) == np.inf
    # what has no limit of its severity counts once
    assert times_over(by_kind["level-drift"].finding("note"), limits) == 1.0


def test_sizes_within_a_fifth_are_one_step() -> None:
    assert [in_steps(x) for x in (1.0, 1.09, 1.11, 1.2, 1.44, 1 / 1.2)] == [0, 0, 1, 1, 2, -1]
    assert in_steps(np.inf) == np.inf
    assert in_steps(0.0) == 0.0


def judged(**changes: Any) -> Any:
    capture = SimpleNamespace(
        polarity_known=False, ac_coupling_hz=None, recorder=None, volts_per_full_scale=None, start_sample=0
    )
    limits = load_limits(None, gain_control=None)
    damage = changes.pop("damage", whole_damage())
    account = account_of(changes.pop("frames", FRAMES), **changes)
    return judge(account, damage, capture=capture, wave="sine", limits=limits)  # type: ignore[arg-type]


def test_the_verdict_is_the_worst_findings() -> None:
    assert judged(law=law()).verdict == "pass"
    attention = judged(law=law(), start=replace(SHOWN, rise_s=0.6, cycles=99.0))
    assert (attention.verdict, [f.kind for f in attention.findings]) == ("attention", ["slow-start"])
    fault = judged(law=law(span_db=9.0), start=replace(SHOWN, rise_s=0.6, cycles=99.0))
    assert (fault.verdict, [f.kind for f in fault.findings]) == ("fault", ["level-drift", "slow-start"])
    note = judged(law=law(), damage=whole_damage(dc_fs=0.1))
    assert (note.verdict, [f.kind for f in note.findings]) == ("pass", ["capture-offset"])
    two = SourceClass(source="two-tones", clean_share=0.1, residual_dbc=-3.0, low_hz=1.0, high_hz=2.0, weaker_dbc=-1.0)
    assert judged(heard=two).sweep == ()
    assert judged(heard=two).not_shown == ()
    assert len(judged(law=law()).sweep) > 3


def test_another_wave_is_told_first_and_nothing_beside_silence() -> None:
    limits = load_limits(None, gain_control=None)
    late = judged(law=law(span_db=2.0), other_wave="triangle")
    assert [f.kind for f in late.findings] == ["wrong-wave", "level-drift"]
    capture = SimpleNamespace(ac_coupling_hz=None, recorder=None, volts_per_full_scale=None)
    absent = account_of(FRAMES, heard=SourceClass(source="absent", clean_share=0.0, residual_dbc=0.0))
    found = candidates_of(absent, whole_damage(dc_fs=0.5), capture, "sine", limits)  # type: ignore[arg-type]
    assert [c.kind for c in found] == ["oscillation-absent"]


@pytest.mark.parametrize(("share", "variant"), [(0.89, "plain"), (0.91, "one_tone")])
def test_nine_tenths_of_the_time_are_one_held_note(share: float, variant: str) -> None:
    heard = SourceClass(source="not-an-oscillator", clean_share=share, residual_dbc=-20.0)
    (found,) = source_candidates(account_of(FRAMES, heard=heard), "sine")
    assert found.variant == variant


@pytest.mark.parametrize(
    ("extreme_s", "moved_db", "rests"),
    [(2.0, 0.8, False), (2.0, 1.2, True), (6.0, -0.8, False), (6.0, -1.2, True)],
    ids=["less than half of it", "more", "at the end", "more there"],
)
def test_a_level_moves_at_rest_where_half_of_its_span_lies_in_one_rest(
    extreme_s: float, moved_db: float, rests: bool
) -> None:
    """Three rests, at three notes; the last of 2 dB lie in the middle one or at an end, the rest from note to note."""
    t = np.linspace(0.0, 9.0, 451)
    f0_hz = np.select([t < 3.0, t < 6.0], [220.0, 330.0], 440.0)
    base = np.select([t < 3.0, t < 6.0], [0.0, 0.4], 0.8)
    rest_db = base + np.where(np.abs(t - extreme_s) < 0.5, moved_db, 0.0)
    made = replace(law(time_span_db=2.0), time_s=t, f0_hz=f0_hz, rest_db=rest_db, law_db=np.zeros(451))
    in_a_rest = max(float(np.ptp(rest_db[(t >= a) & (t < a + 3.0)])) for a in (0.0, 3.0, 6.0))
    assert _moves_at_rest(made) is rests is (in_a_rest >= 1.0)
