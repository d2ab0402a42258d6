"""The four answers name what takes level from the wave: a limited slope is no coupling of the input."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from listen.account.level_law import fit_level_law
from listen.findings import measured
from listen.findings.candidate import Candidate
from listen.findings.words import answers, finding_of, headline
from tests.accounts import account_of, plain_frames
from tests.helpers import make_finding

N = 200
F0_HZ = np.geomspace(1000.0, 8000.0, N)
FRAMES = plain_frames(N, f0_hz=F0_HZ)
LAW = fit_level_law(FRAMES.time_s, F0_HZ, np.full(N, -9.0), True)


def hold(span_db: float, *kinds: str) -> str:
    summary: dict[str, Any] = {"f0_low_hz": 1000.0, "f0_high_hz": 8000.0, "start_s": None, "level_dbfs": -9.0}
    summary |= {"level_span_db": span_db, "thd_worst_percent": 1.0, "thd_median_percent": 0.5, "thd_harmonics": 10}
    found = [make_finding(kind) for kind in kinds]
    return answers(summary, found, "sine", account_of(FRAMES, law=LAW))["hold"]


def test_a_level_that_moves_alone_is_the_couplings() -> None:
    assert hold(0.4) == "The level holds within 0.0 dB at -9.0 dBFS."
    assert hold(6.1).endswith("the 6.1 dB that it moves are the input's coupling.")
    # even harmonics take nothing of the level
    assert hold(6.1, "even-order-distortion").endswith("are the input's coupling.")


@pytest.mark.parametrize(
    ("kind", "name"), [("slew-limiting", "slew limiting"), ("asymmetric-clipping", "one half flattened")]
)
def test_what_a_limiter_takes_is_laid_at_its_own_door(kind: str, name: str) -> None:
    assert f"of the 6.1 dB that it moves the rest is {name}, or the input's coupling." in hold(6.1, kind)


@pytest.mark.parametrize(
    ("kinds", "end"),
    [
        (["oscillation-dropout"], "Measured."),
        (["oscillation-dropout"] * 2, " One more finding below."),
        (["oscillation-dropout"] * 4, " The same at 3 more places, below."),
        (["oscillation-dropout"] * 2 + ["mains-hum"], " 2 more findings below."),
    ],
)
def test_the_headline_counts_what_it_leaves_out(kinds: list[str], end: str) -> None:
    found = [make_finding(kind, sentence="Measured.") for kind in kinds]
    assert headline(found, {}, "sine", account_of(FRAMES, law=LAW)).endswith(end)


@pytest.mark.parametrize(
    ("odd_percent", "gain_control", "said"), [(2.4, None, True), (2.6, None, False), (2.4, "diodes", False)]
)
def test_what_is_normal_for_diodes_is_said_where_nothing_is_stated(
    odd_percent: float, gain_control: str | None, said: bool
) -> None:
    """1 to 2 % of third harmonic in a bare diode limiter: common practice, no source."""
    numbers = measured.OddOrder(odd_percent=odd_percent, onset_f0_hz=220.0, thd_worst_percent=odd_percent)
    candidate = Candidate(kind="odd-order-distortion", severity="attention", start_s=1.0, end_s=2.0, measured=numbers)
    candidate = replace(candidate, variant="rounded")
    sentence = finding_of(candidate, gain_control=gain_control).sentence
    assert ("diode" in sentence) is said


@pytest.mark.parametrize(
    ("high_hz", "said"),
    [(1900.0, "from 220 Hz (A3) upward"), (880.0, "from 220 Hz (A3) to 880 Hz (A5)"), (222.0, "at 220 Hz (A3)")],
)
def test_what_ends_below_the_top_is_said_to_end(high_hz: float, said: str) -> None:
    numbers = measured.OddOrder(odd_percent=3.0, onset_f0_hz=220.0, thd_worst_percent=3.0)
    candidate = Candidate(kind="odd-order-distortion", severity="attention", start_s=1.0, end_s=2.0, measured=numbers)
    candidate = replace(candidate, variant="rounded", f0_low_hz=220.0, f0_high_hz=high_hz)
    assert said in finding_of(candidate, None, highest_hz=2000.0).sentence
    assert "upward" in finding_of(candidate, None).sentence
