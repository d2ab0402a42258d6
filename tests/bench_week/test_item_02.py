"""A comparison and its sentences tell durations in seconds; lost samples are counted in brackets."""

from __future__ import annotations

import re

import numpy as np
import pytest
import soundfile

import listen
from listen.report import check_document
from listen.report.comparing import compare_documents, compare_page
from tests.tones import times

RATE_HZ = 48_000


def dies_for(path, gone_s: float) -> listen.CheckResult:
    """Ten seconds of a tone that dies at 4 s, a tenth of a second down and up again."""
    t = times(10.0)
    envelope = np.interp(t, [4.0, 4.1, 4.0 + gone_s, 4.1 + gone_s], [1.0, 0.0, 0.0, 1.0])
    noise = 1e-5 * np.random.default_rng(1).standard_normal(len(t))
    soundfile.write(path, 0.3 * envelope * np.sin(2 * np.pi * 440.0 * t) + noise, RATE_HZ, subtype="PCM_24")
    return listen.check(path)


@pytest.fixture(scope="module")
def dying(tmp_path_factory):
    folder = tmp_path_factory.mktemp("dying")
    return dies_for(folder / "before.wav", 2.0), dies_for(folder / "after.wav", 0.5)


def test_a_comparison_tells_durations_in_seconds(dying) -> None:
    comparison = compare_documents(*(check_document(result) for result in dying))
    (dropout,) = (f for f in comparison.findings if f.kind == "oscillation-dropout")
    seconds = re.findall(r"([\d.]+) (s|ms) (before|after)", dropout.sentence)
    assert [(unit, side) for _, unit, side in seconds] == [("s", "before"), ("s", "after")]
    # from 20 dB down at 4.09 s to 20 dB down 10 ms after the rest
    assert [float(value) for value, *_ in seconds] == pytest.approx([1.92, 0.42], abs=0.05)
    assert "sample" not in compare_page(comparison)


@pytest.mark.parametrize("lost", [57, 7200])
def test_lost_samples_are_told_as_a_time_with_the_samples_in_brackets(tmp_path, lost: int) -> None:
    t = times(6.0)
    x = 0.3 * np.sin(2 * np.pi * 440.3 * t) + 1e-5 * np.random.default_rng(2).standard_normal(len(t))
    soundfile.write(tmp_path / "take.wav", np.delete(x, slice(140_000, 140_000 + lost)), RATE_HZ, subtype="PCM_24")
    (gap,) = (f for f in listen.check(tmp_path / "take.wav").findings if f.kind == "capture-gap")
    assert gap.measured.lost_s == pytest.approx(gap.measured.lost_samples / RATE_HZ, rel=0.02)
    assert re.search(rf"about [\d.]+ m?s \({gap.measured.lost_samples} samples\) of the take is missing", gap.sentence)
