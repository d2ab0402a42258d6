"""The table of evidence: whole, and ranked for each build."""

from __future__ import annotations

from pathlib import Path

import pytest

import listen
from listen.bench import GainSettings
from listen.circuit import KnownBuild
from listen.circuit.facts import facts_of
from listen.circuit.rank import evidence_table, meets, ranked_for
from listen.findings import all_kinds
from tests.circuit.bridges import Bridge, record

UNKNOWN = (
    "topology gain_control gain_in_hand_percent decay_percent gang_spread_sigmas gang_spread_percent loop_damping "
    "dead_band_v slew_v_per_us slew_over_stated clipped_halves clip_asymmetry_percent short_of_rail_v clip_place "
    "rc_off_percent cents_apart comes_back pitch_jump_percent lowest_level_at "
    "rise_off_points shaper_offset_sigmas shaped off_beyond_parts"
).split()
NOTHING = dict.fromkeys(UNKNOWN)


def first(kind: str, **facts: float | str) -> list[str]:
    return [cause.id for cause in ranked_for(kind, {**NOTHING, **facts})]


def test_every_cause_names_known_kinds_and_facts() -> None:
    for name, entry in evidence_table()["cause"].items():
        assert set(entry["findings"]) <= {*all_kinds(), "pitch"}, name
        assert all(entry[key] for key in ("do", "if_so", "if_not")), name
        for sign in entry.get("sign", ()):
            assert sign["fact"] in NOTHING, (name, sign)
            assert sign["says"], name
            assert {"above", "below", "is", "in"} & set(sign), (name, sign)
            assert set(sign) <= {
                "fact",
                "above",
                "below",
                "is",
                "in",
                "times",
                "says",
                "shows",
                "only",
                "needs",
                "of_one_rail",
            }


@pytest.mark.parametrize("known", [True, False])
def test_evidence_that_holds_a_half_against_a_supply_says_what_it_assumes(known: bool) -> None:
    ranked = ranked_for(
        "asymmetric-clipping", {**NOTHING, "short_of_rail_v": 5.0, "clip_asymmetry_percent": 9.0}, known
    )
    (rail,) = (cause for cause in ranked if cause.id == "rail-low")
    assumes = ["assuming that the recorder does not invert" in item.says for item in rail.in_favour]
    assert assumes == [False, not known]


def test_a_shapers_causes_are_asked_about_where_a_shaper_is() -> None:
    assert "shaper-offset" not in first("even-order-distortion")
    assert "shaper-drive" not in first("odd-order-distortion", shaped="no")
    assert first("even-order-distortion", shaped="yes", shaper_offset_sigmas=20.0)[0] == "shaper-offset"
    assert first("odd-order-distortion", shaped="yes")[0] == "shaper-drive"
    leans = first("even-order-distortion", shaped="yes", shaper_offset_sigmas=0.1, rise_off_points=1.5)
    assert leans.index("charge-currents") < min(leans.index("offset"), leans.index("shaper-offset"))
    pole = first("pitch", rc_off_percent="ends-differ", cents_apart=-80.0, off_beyond_parts="in-proportion")
    assert pole[0] == "gain-bandwidth"
    for kind in ("slope-asymmetry", "duty", "ramp-bow", "reset-slow", "corner-rounding", "reset-glitch"):
        assert len(first(kind)) > 1


def test_every_pair_stands_in_the_table() -> None:
    for item in evidence_table()["undecided"]:
        assert all(set(item["findings"]) <= set(evidence_table()["cause"][name]["findings"]) for name in item["pair"])


def test_facts_are_the_ones_that_the_table_knows(tmp_path: Path) -> None:
    bridge = Bridge(f0_hz=(300.0, 600.0), rails_v=(-10.35, 8.45), gain=3.25, seconds=1.0)
    result = listen.check(record_to(bridge, tmp_path), bench=None)
    assert result.circuit is not None
    facts = facts_of(result.circuit, result.judgement.account, None, KnownBuild())  # type: ignore[arg-type]
    assert set(facts) == set(NOTHING)


def record_to(bridge: Bridge, path: Path) -> Path:
    record(bridge, path / "take.wav")
    return path / "take.wav"


def test_another_gain_element_gives_another_order() -> None:
    by = {control: first("even-order-distortion", gain_control=control) for control in ("jfet", "diodes")}
    assert by["jfet"][0] == "channel-square-law"
    assert by["diodes"][0] == "limiter-unequal"
    jfet = {c.id: c.standing for c in ranked_for("even-order-distortion", {**NOTHING, "gain_control": "diodes"})}
    assert jfet["channel-square-law"] == "excluded"


@pytest.mark.parametrize(
    ("kind", "facts", "cause"),
    [
        ("level-drift", {"gang_spread_sigmas": 20.0, "gain_control": "diodes"}, "gang-mismatch"),
        ("odd-order-distortion", {"gain_in_hand_percent": 6.0}, "gain-high"),
        ("slow-start", {"gain_in_hand_percent": 0.3}, "gain-low"),
        ("amplitude-bounce", {"loop_damping": 0.2, "gain_control": "jfet"}, "level-loop-damping"),
        ("slew-limiting", {"slew_v_per_us": 0.45}, "slew"),
        ("pitch", {"rc_off_percent": "both", "cents_apart": -8.0}, "parts-tolerance"),
        ("pitch", {"rc_off_percent": "ends-differ", "cents_apart": 40.0}, "pot-end"),
        ("pitch", {"rc_off_percent": "ends-differ", "cents_apart": -300.0, "slew_v_per_us": 0.45}, "slew"),
    ],
)
def test_what_was_measured_comes_first(kind: str, facts: dict[str, float | str], cause: str) -> None:
    assert first(kind, **facts)[0] == cause


def test_a_clip_within_the_loop_is_no_output_stage() -> None:
    inside = {c.id: c for c in ranked_for("asymmetric-clipping", {**NOTHING, "clip_place": "inside"})}
    assert inside["output-stage"].standing == "possible"
    assert inside["output-stage"].against[0].key == "clip_place"
    assert inside["rail-low"].missing == ("volts_per_full_scale", "supply_v and volts_per_full_scale")


def test_weights_add_up_and_fall() -> None:
    for kind in all_kinds():
        weights = [cause.weight for cause in ranked_for(kind, NOTHING)]
        assert weights == sorted(weights, reverse=True)
        assert not weights or sum(weights) == pytest.approx(1.0)


def test_words_and_numbers_are_held_against_their_own_tests() -> None:
    assert meets("both", {"is": "both"})
    assert meets("jfet", {"in": ["jfet", "ldr"]})
    assert not meets("both", {"above": 0.0})
    assert meets(2.0, {"above": 1.0})
    assert not meets(2.0, {"above": 1.0, "below": 2.0})
    assert not meets(2.0, {"is": "none"})


def test_one_clipped_half_is_a_rail_or_an_offset(tmp_path: Path) -> None:
    bridge = Bridge(
        f0_hz=(300.0, 1200.0), rails_v=(-14.0, 8.45), gain=3.1, seconds=1.5, stated={"supply_v": (-15.0, 15.0)}
    )
    result = listen.check(tmp_path / "take.wav", bench=record(bridge, tmp_path / "take.wav"))
    assert result.circuit is not None
    causes = next(c for c in result.circuit.causes if c.finding == "asymmetric-clipping")
    assert causes.ranked[0].id == "rail-low"
    assert ("rail-low", "offset") in causes.undecided
    assert causes.take is not None


def test_advice_changes_the_gain_resistor(tmp_path: Path) -> None:
    """Published: a Wien bridge of gain A survives gangs unequal by A - 3 and has about (A - 3)/6 of third harmonic."""
    gain = GainSettings(rf_ohm=22e3, rg_ohm=10e3)
    bridge = Bridge(f0_hz=(500.0, 500.0), gain=3.2, kick_v=1e-4, seconds=1.0, stated={"gain": gain})
    result = listen.check(tmp_path / "take.wav", bench=record(bridge, tmp_path / "take.wav"))
    assert result.circuit is not None
    advice = result.circuit.advice[0]
    assert (advice.part, advice.from_value) == ("rf_ohm", 22e3)
    assert advice.to_value == pytest.approx(22e3 * 2.06 / 2.2, rel=0.005)
    before, after = advice.predicts["mismatch_survived_percent"]
    assert before == pytest.approx(20.0, rel=0.02)
    assert after == pytest.approx(6.0, rel=0.01)
    assert advice.predicts["start_s"][1] > advice.predicts["start_s"][0]


def test_no_advice_where_the_gain_is_right(tmp_path: Path) -> None:
    gain = GainSettings(rf_ohm=20.7e3, rg_ohm=10e3)
    bridge = Bridge(f0_hz=(500.0, 500.0), gain=3.07, kick_v=1e-4, seconds=1.5, stated={"gain": gain})
    result = listen.check(tmp_path / "take.wav", bench=record(bridge, tmp_path / "take.wav"))
    assert result.circuit is not None
    assert result.circuit.advice == ()
