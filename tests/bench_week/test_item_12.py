"""No logarithm of what is not positive: strong hum on a level that drifts, parts stated as exact, documents by hand.

That ``calibrate --wave`` and several takes with bench files of their own do what is said is held by
``tests/calibration/test_steps_in_takes.py`` and ``tests/api/test_many.py``.
"""

from __future__ import annotations

import copy
import json
import math
import time
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import listen
from listen.bench import Bench, BuildSettings, GainSettings
from listen.circuit.advice import advise
from listen.circuit.expected import gain_bandwidth
from listen.circuit.known import KnownBuild
from listen.circuit.types import ExpectedPitch, PitchEnd, Quantity
from listen.cli import main
from listen.report import check_document
from listen.report.page import check_page_bytes
from tests.report.test_circuit import WHERE, q, whole
from tests.tones import times

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("hum_db", [-20.0, -6.0, 0.0, 12.0])
@pytest.mark.parametrize("silent_s", [0.0, 1.0])
def test_strong_hum_on_a_level_that_drifts_is_judged(tmp_path, hum_db: float, silent_s: float) -> None:
    """A tone turned up three octaves loses 12 dB, hum and its harmonics beside it; digital silence before it."""
    t = times(6.0)
    f0_hz = 110.0 * 2.0 ** np.interp(t, [1.5, 5.0], [0.0, 3.0])
    level = 0.3 * 10.0 ** (np.interp(t, [1.5, 5.0], [0.0, -12.0]) / 20.0)
    x = level * np.sin(2 * np.pi * np.cumsum(f0_hz) / 48_000)
    for k in range(1, 6):
        x += 0.15 * 10.0 ** (hum_db / 20.0) / k * np.sin(2 * np.pi * 50.0 * k * t + k)
    x *= 0.9 / max(1.0, np.abs(x).max())
    x[t < silent_s] = 0.0
    soundfile.write(tmp_path / "take.wav", x, 48_000, subtype="PCM_16")
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)  # NumPy's logarithms of nothing
        result = listen.check(tmp_path / "take.wav", gain_control="diodes", topology="wien-bridge")
        assert len(check_page_bytes(result)) > 1000
    if hum_db < -10.0:  # from there on it may be a second tone
        assert {"level-drift", "mains-hum"} <= {finding.kind for finding in result.findings}
    assert json.dumps(check_document(result), allow_nan=False)


@pytest.mark.parametrize("high_cents", [-3.0, 0.0, 2.0, 40.0])
def test_parts_stated_as_exact_give_a_bandwidth_or_a_bound(high_cents: float) -> None:
    bottom, top = (PitchEnd(nominal=f, least=f, most=f) for f in (160.0, 1600.0))
    expected = ExpectedPitch(
        low_hz=bottom, high_hz=top, low_cents=q(0.0, 0.5), high_cents=q(high_cents, 0.5),
        rc_product_off_percent=q(0.0, 0.1),
    )  # fmt: skip
    build = BuildSettings(measured=True, tolerance_percent=(0.0, 0.0))
    found = gain_bandwidth(expected, "wien-bridge", build, slews=False)
    assert found.value is not None
    assert math.isfinite(found.value)
    assert found.value > 0.0
    assert found.bound == (None if high_cents == -3.0 else "at-least")


@pytest.mark.parametrize("percent", [-66.0, -70.0, -300.0])
def test_a_tone_that_was_switched_off_asks_for_no_resistor(percent: float) -> None:
    circuit = whole(loop_gain_in_hand=Quantity(value=percent, sigma=1.0, where=WHERE), loop_gain_along=())
    build = BuildSettings(gain=GainSettings(rf_ohm=21.2e3, rg_ohm=10e3))
    known = KnownBuild(topology="wien-bridge", gain_control="diodes", bench=Bench(build=build))
    found = advise(circuit, known)
    assert all(advice.to_value > 0.0 for advice in found)
    assert bool(found) == (percent == -66.0)


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    return check_document(listen.check(ROOT / "fixtures" / "sine-board-unequal-supplies.wav"))


@pytest.mark.parametrize("place", ["finding", "summary", "row", "thd"])
@pytest.mark.parametrize("value", [0.0, -5.0])
def test_a_document_with_a_pitch_of_nothing_is_one_line(tmp_path, capsys, document, place, value) -> None:
    edited = copy.deepcopy(document)
    if place == "finding":
        edited["findings"][0]["f0_low_hz"] = value
    elif place == "summary":
        edited["summary"]["f0_high_hz"] = value
    elif place == "row":
        edited["sweep"][0]["f0_low_hz"] = value
    else:
        edited["sweep"][0]["thd_percent"] = value
    for name, content in (("before.json", document), ("after.json", edited)):
        (tmp_path / name).write_text(json.dumps(content))
    status = main(["compare", str(tmp_path / "before.json"), str(tmp_path / "after.json")])
    told = capsys.readouterr()
    if place == "thd" and value == 0.0:
        assert status in (0, 1)
        return
    assert status == 2
    assert told.err.count("\n") == 1
    assert "fault of" not in told.err
    assert "after.json" in told.err


@pytest.mark.parametrize("seed", range(4))
def test_a_tiny_take_of_floats_with_holes_and_denormals_ends_in_a_line(tmp_path, capsys, seed: int) -> None:
    """Some hundred samples of a sweep, holes in it, then numbers next to nothing."""
    rng = np.random.default_rng(seed)
    x = 0.5 * np.sin(2 * np.pi * np.cumsum(np.geomspace(400.0, 4000.0, 600)) / 48_000)
    for _ in range(6):
        start = int(rng.integers(0, 590))
        x[start : start + int(rng.integers(1, 60))] = rng.choice([0.0, np.nan])
    take = np.concatenate([x, np.full(int(rng.integers(1, 600)), 4.6e-41)])
    soundfile.write(tmp_path / "take.wav", take.astype(np.float32), 48_000, subtype="FLOAT")
    assert main(["check", str(tmp_path / "take.wav"), "--quiet"]) in (0, 1, 2)
    assert "Traceback" not in capsys.readouterr().err


def test_the_time_of_digital_silence_grows_as_its_length(tmp_path) -> None:
    spent_s = []
    for minutes in (0.5, 2.0, 8.0):  # once to load what is loaded once
        path = tmp_path / f"{len(spent_s)}.flac"
        soundfile.write(path, np.zeros(round(minutes * 60 * 48_000), dtype=np.int16), 48_000)
        begun_s = time.process_time()
        listen.check(path, threads=1)
        spent_s.append(time.process_time() - begun_s)
    # four times as long, of which the first 87 s are decoded once: 5.4 times; nine leaves room for a busy machine, and
    # is far from the 16 of a square law
    assert spent_s[2] < 9.0 * spent_s[1] + 0.2, spent_s
