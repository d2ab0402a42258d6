"""The WAV files that scipy's own tests read: odd widths, big-endian, RF64, broken ones.

Source: scipy, ``scipy/io/tests/data/*.wav`` (BSD licence), as installed with scipy; samples compared with what
``scipy.io.wavfile`` reads from them.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
import scipy.io
from scipy.io import wavfile

from listen.capture.reader import SampleReader
from listen.errors import CaptureError

FOLDER = Path(scipy.io.__file__).parent / "tests" / "data"
FILES = sorted(FOLDER.glob("*.wav"))
REFUSED = {
    "test-44100Hz-le-1ch-4bytes-early-eof-no-data.wav",
    "test-44100Hz-le-1ch-4bytes-incomplete-chunk.wav",
    "test-8000Hz-le-3ch-5S-36bit.wav",
    "test-8000Hz-le-3ch-5S-45bit.wav",
    "test-8000Hz-le-3ch-5S-53bit.wav",
    "test-8000Hz-le-3ch-5S-64bit.wav",
}

pytestmark = pytest.mark.skipif(not FILES, reason="this scipy was installed without its test data")


def test_the_set_is_whole():
    assert len(FILES) == 22
    assert {path.name for path in FILES} >= REFUSED


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_read_or_refused_in_one_line(path):
    if path.name in REFUSED:
        with pytest.raises(CaptureError, match="is no sound file that can be read") as caught:
            SampleReader(str(path), path.name)
        assert "\n" not in str(caught.value)
        return
    reader = SampleReader(str(path), path.name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", wavfile.WavFileWarning)
        try:
            rate_hz, samples = wavfile.read(path)
        except ValueError:
            pytest.skip("scipy itself does not read this one")
    assert reader.sample_rate_hz == rate_hz
    samples = samples.reshape(len(samples), -1)
    assert (reader.n_samples, reader.channels) == samples.shape
    if reader.subtype == "ULAW":
        return
    if samples.dtype.kind in "iu":
        width = samples.dtype.itemsize * 8
        samples = samples.astype(np.float64) / 2.0 ** (width - 1) - (samples.dtype.kind == "u")
    for channel in range(reader.channels):
        # Exact: every width fits a double. The 12-bit and 5-bit ones are left-justified in both readings.
        np.testing.assert_array_equal(reader.read(0, reader.n_samples, channel), samples[:, channel])


def test_the_early_end_is_noticed():
    name = "test-44100Hz-le-1ch-4bytes-early-eof.wav"
    reader = SampleReader(str(FOLDER / name), name)
    assert (reader.n_samples, reader.header_samples) == (236, 4410)
