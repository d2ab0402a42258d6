"""The take on disc: readable while it grows, whole at the end, never in place of another."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

import listen.watch.spool as spool_module
from listen.capture import open_capture
from listen.errors import OutputError
from listen.watch.pcm import StreamFormat
from listen.watch.spool import Spool
from tests.watch.streams import encoded

FORMS = [StreamFormat(sample_rate_hz=48_000, channels=1, encoding=encoding) for encoding in ("s16", "s24", "f32")]


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.encoding)
def test_a_take_can_be_read_while_it_grows(tmp_path, form):
    x = 0.3 * np.sin(0.05 * np.arange(48_001))
    spool = Spool(form, tmp_path / "take.wav")
    for part in np.array_split(x, 4):
        spool.write(encoded(part, form.encoding))
        capture = open_capture(spool.path)
        assert capture.n_samples == spool.n_samples
        assert capture.header_samples is None
    spool.finish()
    spool.discard()
    read, rate_hz = soundfile.read(tmp_path / "take.wav")
    assert rate_hz == 48_000
    np.testing.assert_allclose(read, x, atol=2.0**-15)
    assert open_capture(tmp_path / "take.wav").subtype == form.subtype


def test_a_take_of_more_than_four_gibibytes_is_rf64(tmp_path, monkeypatch):
    monkeypatch.setattr(spool_module, "_LARGEST_RIFF", 10_000)
    spool = Spool(FORMS[0], tmp_path / "long.wav")
    spool.write(encoded(np.linspace(-0.5, 0.5, 20_000), "s16"))
    spool.finish()
    with soundfile.SoundFile(tmp_path / "long.wav") as file:
        assert (file.format, file.frames) == ("RF64", 20_000)


def test_no_take_is_written_over(tmp_path):
    (tmp_path / "take.wav").write_text("mine")
    with pytest.raises(OutputError, match="is there already"):
        Spool(FORMS[0], tmp_path / "take.wav")
    assert (tmp_path / "take.wav").read_text() == "mine"


def test_a_take_that_is_not_kept_leaves_nothing():
    spool = Spool(FORMS[0])
    spool.write(bytes(200))
    spool.finish()
    assert spool.path.exists()
    spool.discard()
    assert not spool.path.exists()
