"""Equal temperament, third octaves, mains: against standards, and against another library.

Sources: ISO 16 (A4 is 440 Hz; title page); ISO 266 (preferred frequencies, exact values 1000 x 10^(n/10), from a
guideline's table); IEC 61260-1 (base-ten edges, from another text); IEC 60038 (50 and 60 Hz, from another text).
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from listen.units import note_name
from tests.tones import cents, check_of, exponential, frames_of, kinds, middle, steady, times, white

NOTES = {
    "A0": 27.5, "C1": 32.7032, "E1": 41.2034, "C2": 65.4064, "E2": 82.4069, "A2": 110.0, "C3": 130.8128, "C4": 261.6256,
    "A4": 440.0, "C5": 523.2511, "C6": 1046.5023, "C7": 2093.0045, "C8": 4186.0090,
}  # fmt: skip

THIRDS_HZ = [
    19.9526, 25.1189, 31.6228, 39.8107, 50.1187, 63.0957, 79.4328, 100.0, 125.8925, 158.4893, 199.5262, 251.1886,
    316.2278, 398.1072, 501.1872, 630.9573, 794.3282, 1000.0,
]  # fmt: skip


@pytest.fixture(scope="module")
def librosa():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("librosa")


@pytest.mark.parametrize("name", NOTES)
def test_notes_are_named_as_another_library_names_them(name: str, librosa) -> None:
    assert note_name(NOTES[name]) == name
    assert librosa.note_to_hz(name) == pytest.approx(NOTES[name], abs=6e-5)
    assert librosa.hz_to_note(NOTES[name], unicode=False) == name


@pytest.mark.parametrize(("wave", "most"), [("sine", 2.0), ("sawtooth", 1.0)])
def test_yin_of_another_library_hears_the_same_pitch(wave: str, most: float, librosa) -> None:
    """librosa.yin was measured at +1.25 cents on a sine and +0.19 on a sawtooth of ten harmonics of 441.3 Hz."""
    k = np.arange(1, 11 if wave == "sawtooth" else 2)
    x = np.sum(np.sin(2 * np.pi * np.outer(k, steady(441.3, 1.0))) / k[:, None], axis=0) * 0.3
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        heard = np.median(librosa.yin(x, fmin=60, fmax=2000, sr=48000, frame_length=4096))
    frames = frames_of(x)
    assert abs(cents(np.median(frames.f0_hz[middle(frames)]), heard)) < most


def test_sweep_rows_are_the_standard_thirds() -> None:
    x = 0.4 * np.cos(2 * np.pi * exponential(60.0, 1100.0, 6.0))
    rows = check_of(x + white(len(x), -90.0, 51)).sweep
    lows = [row.f0_low_hz for row in rows]
    for low, high in ((row.f0_low_hz, row.f0_high_hz) for row in rows):
        centre = np.sqrt(low * high)
        assert np.min(np.abs(np.array(THIRDS_HZ) / centre - 1)) < 2e-6
        assert high / low == pytest.approx(10**0.1, rel=1e-9)
    assert lows == sorted(lows)
    # each row begins where the one before ends: no pitch is in two rows or in none
    np.testing.assert_allclose(lows[1:], [row.f0_high_hz for row in rows[:-1]], rtol=1e-12)
    assert any(low == pytest.approx(112.2018, abs=1e-4) for low in lows)
    # seconds of a whole third at an even number of octaves a second
    whole = [row.seconds for row in rows[1:-1]]
    np.testing.assert_allclose(whole, 6.0 * np.log(10**0.1) / np.log(1100 / 60), atol=0.041)


@pytest.mark.parametrize("f0_hz", [50.0, 60.0, 100.0, 120.0, 180.0])
def test_a_tone_on_a_multiple_of_the_mains_is_not_called_hum(f0_hz: float) -> None:
    """By frequency alone a tone within 1 % of a multiple of 50 or 60 Hz cannot be told from hum."""
    x = 0.4 * np.cos(2 * np.pi * steady(f0_hz, 3.0)) + white(round(3.0 * 48000), -90.0, 52)
    assert kinds(check_of(x)) == set()


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("off", [-0.0005, 0.0005])
def test_hum_is_found_within_the_mains_ordinary_wander(mains_hz: float, off: float) -> None:
    """A rectifier's ripple: twice the mains and its multiples, the second 14 dB down (full-wave series, handbook)."""
    t = times(4.0)
    hum = sum(
        10 ** (db / 20) * np.cos(2 * np.pi * 2 * k * mains_hz * (1 + off) * t + k)
        for k, db in ((1, 0.0), (2, -13.979), (3, -21.339))
    )
    x = 0.4 * (np.cos(2 * np.pi * 437.0 * t) + 10 ** (-42 / 20) * hum) + white(len(t), -90.0, 53)
    result = check_of(x)
    assert kinds(result) == {"mains-hum"}
    facts = next(f.evidence for f in result.findings if f.kind == "mains-hum")
    assert facts["mains_hz"] == mains_hz
    assert facts["level_dbc"] == pytest.approx(-42.0, abs=1.0)
