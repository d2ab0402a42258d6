"""Streams as recorders send them: headers with open sizes, chunks before the samples, every encoding."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from listen.errors import CaptureError, OptionError
from listen.watch.pcm import StreamFormat, begins_as_wav, checked_format, read_wav_header, samples_of
from tests.watch.streams import wav_header

NOTE = b"LIST" + (7).to_bytes(4, "little") + b"INFOabc\0"


@pytest.mark.parametrize("size", [0, 0x7FFFEFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0xFFFFF000])
@pytest.mark.parametrize("before", [b"", NOTE, NOTE + NOTE])
def test_a_size_left_open_lasts_to_the_end(size, before):
    head = wav_header(size, channels=2, bits=24, before=before)
    assert begins_as_wav(head)
    form, at = read_wav_header(head + b"\1\2\3")
    assert (form.sample_rate_hz, form.channels, form.encoding, form.data_bytes) == (48_000, 2, "s24", None)
    assert at == len(head)


def test_a_size_that_was_written_is_kept():
    """What follows the samples, a list of notes say, is no sound."""
    form, _ = read_wav_header(wav_header(96_000))
    assert form.data_bytes == 96_000


def test_a_header_may_come_in_pieces():
    head = wav_header(0xFFFFFFFF, before=NOTE)
    assert [read_wav_header(head[:n]) for n in range(12, len(head))] == [None] * (len(head) - 12)
    assert all(begins_as_wav(head[:n]) for n in range(13))


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
def test_samples_are_those_that_the_library_reads(subtype, container):
    """libsndfile (through soundfile) as the peer: header and every encoding, both channels."""
    x = np.random.default_rng(4).uniform(-1, 1, (500, 2))
    file = io.BytesIO()
    soundfile.write(file, x, 44_100, subtype=subtype, format=container)
    data = file.getvalue()
    form, at = read_wav_header(data)
    assert (form.sample_rate_hz, form.channels, form.subtype) == (44_100, 2, subtype)
    file.seek(0)
    read, _ = soundfile.read(file, dtype="float64")
    for channel in (1, 2):
        got = samples_of(data[at : at + form.data_bytes], form, channel)
        np.testing.assert_array_equal(got, read[:, channel - 1])


def test_what_cannot_be_watched_is_said():
    law = io.BytesIO()
    soundfile.write(law, np.zeros(100), 8_000, subtype="ULAW", format="WAV")
    with pytest.raises(CaptureError, match="format 7"):
        read_wav_header(law.getvalue())
    with pytest.raises(OptionError, match="8000 to 384000"):
        checked_format(4_000, 1, "s16")
    with pytest.raises(OptionError, match="channels"):
        checked_format(48_000, 33, "s16")


def test_frames_have_whole_samples():
    assert StreamFormat(sample_rate_hz=48_000, channels=3, encoding="s24").frame_bytes == 9
