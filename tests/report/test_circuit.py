"""The circuit on the page, in the document and in a comparison."""

from __future__ import annotations

import copy
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import listen
from listen.circuit import Circuit
from listen.circuit.types import (
    Advice,
    AmplifierCurve,
    Cause,
    CauseCheck,
    ChannelPair,
    Evidence,
    ExpectedPitch,
    GainPoint,
    GangMismatch,
    GangPoint,
    Growth,
    LevelLoop,
    PitchEnd,
    Quantity,
    RankedCauses,
    Where,
    unknown,
)
from listen.report import check_document, check_page, check_schema
from listen.report.circuit_lines import MOST_LINES, circuit_lines, number
from listen.report.comparing import compare_document, compare_documents, compare_page, compare_schema
from listen.report.page.circuit_charts import circuit_charts
from listen.report.page.pages import check_page_bytes
from tests.circuit.bridges import Bridge, record
from tests.helpers import make_result

WHERE = Where(start_s=0.1, end_s=0.3, f0_low_hz=300.0, f0_high_hz=300.0)


def q(value: float, sigma: float, **more: Any) -> Quantity:
    return Quantity(value=value, sigma=sigma, where=WHERE, **more)


def whole(**changes: Any) -> Circuit:
    end = PitchEnd(nominal=160.0, least=155.0, most=165.0)
    cause = Cause(
        id="rail-low", weight=1.0, standing="likely", in_favour=(Evidence(key="a", value=1.0, says="b"),),
        against=(Evidence(key="c", value="d", says="e"),), missing=("f",),
        check=CauseCheck(do="g", if_so="h", if_not="i"),
    )  # fmt: skip
    circuit = Circuit(
        growth=(
            Growth(
                kind="start", start_s=0.1, end_s=0.3, f0_hz=300.0, rate_per_s=28.0, sigma_per_s=0.1, per_radian=0.0149,
                cycles=60.0, span_db=48.0,
            ),
        ),
        loop_gain_in_hand=q(1.8, 0.02, source="curve"),
        loop_gain_along=(
            GainPoint(time_s=1.0, f0_hz=170.0, percent=1.8, sigma=0.02, source="curve"),
            GainPoint(time_s=2.0, f0_hz=523.0, percent=0.6, sigma=0.02, source="curve"),
        ),
        amplifier_curve=AmplifierCurve(
            input=(-1.0, 0.0, 1.0), output=(-3.1, 0.0, 3.1), unit="V", needed_gain=(2.9, 3.0, 3.1), residual_percent=0.3
        ),
        level_loop=LevelLoop(natural_hz=q(4.0, 0.1), damping=q(0.22, 0.01), state="damped"),
        gang_mismatch=GangMismatch(
            spread_percent=q(4.5, 0.2), constant_percent=unknown("the same recording as another gain"),
            along=(GangPoint(time_s=2.0, f0_hz=1700.0, percent=2.9, sigma=0.1, ohm=270.0),),
        ),
        slew_rate_v_per_us=q(0.45, 0.01), slew_rising=q(0.45, 0.02), slew_falling=q(0.45, 0.02),
        gain_bandwidth_hz=q(3e6, 5e5), dead_band_v=q(0.14, 0.01),
        clip_negative_v=q(-10.35, 0.02), clip_positive_v=q(8.45, 0.02),
        supply_v=(-12.0, 12.0), headroom_v=(0.0, None),
        expected_pitch=ExpectedPitch(
            low_hz=end, high_hz=end, low_cents=q(-199.0, 0.5), high_cents=q(-210.0, 0.5),
            rc_product_off_percent=q(12.0, 0.4),
        ),
        causes=(
            RankedCauses(
                finding="asymmetric-clipping", start_s=1.0, end_s=2.0, ranked=(cause,),
                undecided=(("rail-low", "offset"),), take="measure DC",
            ),
        ),
        advice=(Advice(part="rf_ohm", from_value=22e3, to_value=20.6e3, predicts={"h3_percent": (2.0, 1.0)}),),
    )  # fmt: skip
    return replace(circuit, **changes)


def test_the_block_has_at_most_six_lines_of_one_row_each() -> None:
    lines = circuit_lines(whole(), True)
    assert len(lines) == MOST_LINES == 6
    assert lines[0] == "gain: 1.80 % in hand, 0.60 % left at 523 Hz"
    assert lines[1] == "swing: clips at +8.45 V and -10.35 V; dead band 0.14 V each way"
    assert lines[3] == "gangs: 4.5 % apart along the dial, +2.9 % at 1.70 kHz (270 ohm)"
    assert "RC 12.0 % too large" in lines[4]
    assert lines[5] == "loop: level at 4.0 Hz, damping 0.22, at 300 Hz"
    assert all(len(line) <= 67 for line in lines)
    page = check_page(make_result(circuit=whole()))
    assert sum(line in page for line in lines) == 6
    assert page.count("circuit │") == 1


def test_what_was_not_measured_is_not_said() -> None:
    why = unknown("state the topology")
    nothing = whole(
        loop_gain_in_hand=why, loop_gain_along=(), level_loop=LevelLoop(natural_hz=why, damping=why), dead_band_v=why,
        gang_mismatch=GangMismatch(spread_percent=why, constant_percent=why), gain_bandwidth_hz=why,
        slew_rate_v_per_us=Quantity(value=0.1, bound="at-least"), clip_negative_v=why, clip_positive_v=why,
        headroom_v=None, expected_pitch=None,
    )  # fmt: skip
    assert circuit_lines(nothing, True) == ()
    assert circuit_lines(None, True) == ()


@pytest.mark.parametrize(
    ("phase_deg", "said"),
    [(0.04, "in phase"), (-0.04, "in phase"), (90.2, "90.2 degrees ahead"), (-89.9, "89.9 degrees behind")],
)
def test_a_second_output_is_ahead_behind_or_in_phase(phase_deg: float, said: str) -> None:
    pair = ChannelPair(
        channel=2, phase_deg=q(phase_deg, 0.02), level_db=q(-3.1, 0.02),
        phase_spread_deg=0.01, level_spread_db=0.0, along=(),
    )  # fmt: skip
    nothing = listen.check(Path(__file__).parents[2] / "fixtures" / "sine-board-mended.wav").circuit
    assert nothing is not None
    assert f"outputs: channel 2 {said}, -3.10 dB" in circuit_lines(replace(nothing, channel_pair=pair), True)
    assert "circuit │" not in check_page(make_result(circuit=nothing))


@pytest.mark.parametrize(
    ("value", "sigma", "text"),
    [(1.9567, 0.04, "1.96"), (8.29, 0.1, "8.3"), (0.45, 0.007, "0.450"), (4.0, None, "4.00"), (250.0, 3.0, "250")],
)
def test_digits_follow_the_uncertainty(value: float, sigma: float | None, text: str) -> None:
    assert number(value, sigma) == text


def test_the_document_holds_to_the_schema_to_its_last_key() -> None:
    document = check_document(make_result(circuit=whole()))
    validator = jsonschema.Draft202012Validator(check_schema())
    assert validator.is_valid(document)
    assert document["circuit"]["slew_rate_v_per_us"]["rising"]["value"] == 0.45
    assert document["circuit"]["causes"][0]["ranked"][0]["for"][0]["says"] == "b"
    assert document["circuit"]["advice"][0]["predicts"] == {"h3_percent": [2.0, 1.0]}
    for key in document["circuit"]:
        broken = copy.deepcopy(document)
        del broken["circuit"][key]
        assert not validator.is_valid(broken), key
    broken = copy.deepcopy(document)
    broken["circuit"]["loop_gain_in_hand"]["bound"] = "about"
    assert not validator.is_valid(broken)
    assert check_document(make_result())["circuit"] is None


def test_two_takes_compare_by_their_circuit() -> None:
    before = check_document(make_result(circuit=whole()))
    loop = LevelLoop(natural_hz=q(4.0, 0.1), damping=q(0.235, 0.01), state="damped")
    changed = whole(loop_gain_in_hand=q(3.0, 0.03, source="curve"), level_loop=loop)
    after = check_document(make_result(circuit=changed))
    comparison = compare_documents(before, after)
    jsonschema.validate(compare_document(comparison), compare_schema())
    gain = next(figure for figure in comparison.circuit if figure.key == "loop_gain_in_hand")
    assert gain.sentence == "gain in hand 1.80 % -> 3.00 %"
    assert gain.changed
    damping = next(figure for figure in comparison.circuit if figure.key == "level_loop.damping")
    assert not damping.changed
    assert "no change" in damping.sentence
    assert gain.sentence in compare_page(comparison)
    old = {key: value for key, value in before.items() if key != "circuit"}
    assert compare_documents(old, after).circuit == ()


def test_the_page_has_the_lines_and_the_curve(tmp_path: Path) -> None:
    bridge = Bridge(f0_hz=(300.0, 900.0), seconds=1.5)
    result = listen.check(tmp_path / "take.wav", bench=record(bridge, tmp_path / "take.wav"))
    page = check_page_bytes(result).decode()
    assert "What the take tells of the circuit" in page
    assert circuit_lines(result.circuit, False)[0].split(",")[0] in page
    charts = {chart.name: chart for chart in circuit_charts(result.circuit)}
    assert set(charts) == {"amplifier-curve", "gain-pitch"}
    beyond = charts["amplifier-curve"].lines[0].y
    middle = len(beyond) // 2
    assert beyond[middle + 5] > 0 > beyond[-1]
    assert all(f'data-chart="{name}"' in page or name in page for name in charts)
