"""A take is decoded once while it is checked, exactly, and a result that is kept holds none of it."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

import listen
from listen.capture import open_capture, sample_cache
from listen.capture.reader import SampleReader
from tests.tones import RATE_HZ, steady


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_samples_are_those_of_the_file(tmp_path, subtype) -> None:
    x = 0.5 * np.random.default_rng(1).standard_normal((70_000, 2)).clip(-1.9, 1.9)
    soundfile.write(tmp_path / "take.wav", x, int(RATE_HZ), subtype=subtype)
    whole, _ = soundfile.read(tmp_path / "take.wav", dtype="float64")
    capture = open_capture(tmp_path / "take.wav", channel=2)
    for start, stop in ((0, 10), (32_760, 32_780), (5, 70_000), (69_999, 70_000), (40, 40), (0, 70_000)):
        np.testing.assert_array_equal(capture.read(start, stop), whole[start:stop, 1])


def test_what_is_beyond_the_room_is_decoded_each_time(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(sample_cache, "MOST_SAMPLES", 2 * sample_cache.BLOCK_SAMPLES)
    x = np.linspace(-0.9, 0.9, 5 * sample_cache.BLOCK_SAMPLES + 17)
    soundfile.write(tmp_path / "take.wav", x, int(RATE_HZ), subtype="DOUBLE")
    capture = open_capture(tmp_path / "take.wav")
    capture.read(3 * sample_cache.BLOCK_SAMPLES, 3 * sample_cache.BLOCK_SAMPLES + 9)
    for start, stop in ((0, len(x)), (100_000, len(x)), (0, len(x))):
        np.testing.assert_array_equal(capture.read(start, stop), x[start:stop])
    assert len(capture.reader._cache._blocks) == 2


def test_a_check_decodes_once_and_its_result_keeps_no_samples(tmp_path, monkeypatch) -> None:
    decoded: list[int] = []
    plain = SampleReader._decoded

    def counted(self, start, stop, channel_index):
        decoded.append(stop - start)
        return plain(self, start, stop, channel_index)

    monkeypatch.setattr(SampleReader, "_decoded", counted)
    x = 0.3 * np.sin(2 * np.pi * steady(440.0, 4.0))
    soundfile.write(tmp_path / "take.wav", x, int(RATE_HZ), subtype="PCM_24")
    result = listen.check(tmp_path / "take.wav")
    assert sum(decoded) == len(x)
    assert not result.capture.reader._cache._blocks
