"""Each kind just below and just above its limits: silence, attention, fault; and nothing else is said."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from listen.findings.limits import load_limits, times_over
from tests.findings import takes
from tests.tones import RATE_HZ, check_of, kinds, smooth_turn, times, white

Maker = Callable[[float], np.ndarray]

# kind: maker; sizes below attention, over it, below fault, over it; the evidence that states it, how near it must be
CASES: dict[str, tuple[Maker, tuple[float, float, float, float], str, float]] = {
    "asymmetric-clipping": (takes.clipped, (1.5, 2.6, 7.2, 9.0), "crest_loss_percent", 0.5),
    "symmetric-clipping": (lambda size: takes.clipped(size, "both"), (1.5, 2.6, 7.2, 9.0), "crest_loss_percent", 0.5),
    "even-order-distortion": (takes.lopsided, (0.85, 1.15, 2.7, 3.3), "even_percent", 0.1),
    "odd-order-distortion": (takes.rounded, (0.85, 1.15, 2.7, 3.3), "odd_percent", 0.1),
    "crossover-distortion": (takes.crossover, (0.7, 1.4, 3.3, 4.7), "dead_band_percent", 0.4),
    "slow-start": (takes.starting, (0.42, 0.6, 1.8, 2.2), "rise_s", 0.03),
    "level-drift": (takes.drifting, (0.85, 1.2, 2.8, 3.3), "span_db", 0.1),
    "amplitude-hunting": (takes.hunting, (0.8, 1.2, 4.6, 5.5), "depth_percent", 0.3),
    "amplitude-bounce": (takes.bouncing, (0.8, 1.3, 2.6, 3.5), "deviation_db", 0.15),
    "pitch-instability": (takes.wavering, (2.5, 3.6, 13.5, 17.0), "rms_cents", 0.7),
    "parasitic-oscillation": (takes.parasitic, (-54.0, -47.0, -33.0, -27.0), "burst_rms_dbc", 2.0),
    "subharmonic": (takes.alternating, (-53.0, -47.0, -33.0, -27.0), "level_dbc", 1.5),
    "mains-hum": (takes.humming, (-53.0, -47.0, -33.0, -27.0), "level_dbc", 1.5),
}
SEVERITIES = (None, "attention", "attention", "fault")


@pytest.mark.parametrize("step", range(4), ids=["below", "attention", "below fault", "fault"])
@pytest.mark.parametrize("kind", CASES)
def test_each_kind_at_its_limits(kind: str, step: int) -> None:
    maker, sizes, evidence, near = CASES[kind]
    result = check_of(maker(sizes[step]))
    if SEVERITIES[step] is None:
        assert kinds(result) == set()
        assert result.verdict == "pass"
        return
    assert kinds(result) == {kind}
    found = next(f for f in result.findings if f.kind == kind)
    assert found.severity == SEVERITIES[step] == result.verdict
    assert float(found.evidence[evidence]) == pytest.approx(sizes[step], abs=near)
    assert 0.0 <= found.start_s <= found.end_s <= result.capture.duration_s + 0.1


@pytest.mark.parametrize(("over", "severity"), [(1.03, None), (1.13, "attention"), (1.40, "fault")])
def test_slewing_at_its_limits(over: float, severity: str | None) -> None:
    """The slope is 2.9, 9.9 and 19.2 % short of the fundamental's own (ideal follower, derived)."""
    result = check_of(takes.slewed(over))
    assert kinds(result) == ({"slew-limiting"} if severity else set())
    assert result.verdict == (severity or "pass")


@pytest.mark.parametrize("half", ["positive", "negative"])
@pytest.mark.parametrize("loss", [2.8, 12.0, 25.0])
def test_the_half_that_is_clipped_is_named(half: str, loss: float) -> None:
    found = [f for f in check_of(takes.clipped(loss, half)).findings if f.severity != "note"]
    assert [(f.kind, f.half) for f in found] == [("asymmetric-clipping", half)]
    assert {"positive": "upper half", "negative": "lower half"}[half] in found[0].sentence


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_half_that_is_held_down_is_named(sign: float) -> None:
    found = [f for f in check_of(sign * takes.lopsided(2.0)).findings if f.severity != "note"]
    assert [(f.kind, f.half) for f in found] == [("even-order-distortion", "positive" if sign > 0 else "negative")]


@pytest.mark.parametrize(
    ("seconds", "depth_db", "found"), [(0.03, 200, False), (0.3, 14, False), (0.3, 26, True), (0.3, 200, True)]
)
def test_a_dropout_is_twenty_decibels_for_fifty_milliseconds(seconds: float, depth_db: float, found: bool) -> None:
    result = check_of(takes.dying(seconds, depth_db))
    assert ("oscillation-dropout" in kinds(result)) == found


@pytest.mark.parametrize("seconds", [0.25, None])
def test_it_dies_for_a_part_or_for_good(seconds: float | None) -> None:
    result = check_of(takes.dying(seconds))
    assert kinds(result) == {"oscillation-dropout"}
    found = next(f for f in result.findings if f.kind == "oscillation-dropout")
    assert found.severity == "fault"
    assert found.evidence["comes_back"] is (seconds is not None)
    assert found.start_s == pytest.approx(1.5, abs=0.05)
    end_s = 1.5 + seconds if seconds else result.capture.duration_s
    assert found.end_s == pytest.approx(end_s, abs=0.06)


@pytest.mark.parametrize("what", ["silence", "noise", "hum", "dc"])
def test_nothing_oscillates(what: str) -> None:
    n = 96_000
    x = {
        "silence": np.zeros(n),
        "noise": 0.05 * np.random.default_rng(62).standard_normal(n),
        "hum": takes.noisy(0.002 * np.cos(2 * np.pi * 50.0 * np.arange(n) / 48_000)),
        "dc": takes.noisy(np.full(n, 0.3)),
    }[what]
    result = check_of(x)
    assert [f.kind for f in result.findings] == ["oscillation-absent"]
    assert result.verdict == "fault"


def test_few_cycles_of_growth_are_no_slow_start() -> None:
    """0.8 s, but only 40 cycles of 50 Hz: more than 50 are needed."""
    assert kinds(check_of(takes.starting(0.8, 51.0))) == set()


@pytest.mark.parametrize(("rise_s", "f0_hz"), [(0.7, 300.0), (1.4, 1000.0)])
def test_the_numbers_of_a_slow_start(rise_s: float, f0_hz: float) -> None:
    result = check_of(takes.starting(rise_s, f0_hz))
    facts = next(f.evidence for f in result.findings if f.kind == "slow-start")
    assert facts["rise_s"] == pytest.approx(rise_s, rel=0.02)
    assert facts["cycles"] == pytest.approx(rise_s * f0_hz, rel=0.02)
    assert facts["growth_per_s"] == pytest.approx(np.log(90.0) / rise_s, rel=0.02)
    assert result.summary["start_s"] == pytest.approx(rise_s, rel=0.02)


def test_findings_of_one_severity_come_by_how_far_they_are_over_their_limit() -> None:
    """A clip of 20 % of the crest from 2 s and 490 Hz on, 2.5 times its limit; hum of -29 dBc throughout, 1.1 times."""
    phase, f0_hz = smooth_turn(400.0, 600.0, 2.0, rest_s=1.0)
    t = times(len(phase) / RATE_HZ)
    x = 0.3 * np.cos(2 * np.pi * phase)
    x[f0_hz > 490.0] = np.minimum(x[f0_hz > 490.0], 0.23)
    x += 0.3 * 10 ** (-29 / 20) * np.cos(2 * np.pi * 50.0 * t)
    result = check_of(x + white(len(x), -90.0))
    found = [f for f in result.findings if f.severity == "fault"]
    assert [f.kind for f in found[:2]] == ["asymmetric-clipping", "mains-hum"]
    assert found[0].start_s > found[1].start_s
    limits = load_limits(None, gain_control=None)
    over = [times_over(f, limits) for f in found]
    assert over == sorted(over, reverse=True)
    assert over[1] == pytest.approx(10 ** (1 / 20), rel=0.05)
