"""What a person may get wrong with voltages, laws, tables and the bench: one clear line, status 2, nothing written."""

# ruff: noqa: E501  (a table)

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.cli import main

RATE_HZ = 48000


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Takes and files that are each wrong in one way."""
    base = tmp_path_factory.mktemp("bad")
    time_s = np.arange(round(1.2 * RATE_HZ)) / RATE_HZ
    f0_hz = 110.0 * 2.0 ** np.floor(time_s / 0.4)
    x = 0.3 * np.sin(2 * np.pi * np.cumsum(f0_hz) / RATE_HZ) + 1e-5 * np.random.default_rng(1).standard_normal(
        len(f0_hz)
    )
    soundfile.write(base / "take.wav", x, RATE_HZ, subtype="PCM_24")
    soundfile.write(base / "two.wav", np.column_stack([x, np.full(len(x), 0.1)]), RATE_HZ, subtype="PCM_24")
    soundfile.write(base / "noise.wav", 1e-5 * np.random.default_rng(2).standard_normal(RATE_HZ), RATE_HZ)
    files = {
        "empty.csv": "",
        "header.csv": "start_s,end_s,cv_v\n",
        "no-cv.csv": "start_s,end_s,volts\n0,1,1\n1,2,2\n",
        "half.csv": "start_s,cv_v\n0,1\n1,2\n",
        "word.csv": "start_s,end_s,cv_v\n0,1,one\n1,2,2\n",
        "nan.csv": "cv_v\nnan\n2\n",
        "gap.csv": "start_s,end_s,cv_v\n0,1,\n1,2,2\n",
        "overlap.csv": "start_s,end_s,cv_v\n0,1,1\n0.5,2,2\n",
        "backwards.csv": "start_s,end_s,cv_v\n1,2,1\n0,1,2\n",
        "ends-first.csv": "start_s,end_s,cv_v\n1,0.5,1\n2,3,2\n",
        "negative.csv": "start_s,end_s,cv_v\n-1,0.5,1\n2,3,2\n",
        "huge.csv": "cv_v\n" + "1\n" * 1001,
        "other.json": '{"schema": "listen.check/1"}',
        "broken.json": "{",
        "list.json": "[1, 2]",
        "no-volts.toml": "[cv]\nchannel = 2\n",
        "volts.toml": "[cv]\nvolts_per_full_scale = 10.0\n",
        "bad-volts.toml": "[cv]\nvolts_per_full_scale = -10.0\n",
        "bad-key.toml": "[cv]\nvolts_per_fullscale = 10.0\n",
    }
    for name, text in files.items():
        (base / name).write_text(text)
    (base / "utf16.csv").write_bytes("cv_v\n1\n2\n".encode("utf-16"))
    return base


CASES: dict[str, tuple[Sequence[str], str]] = {
    "no voltages": (["take.wav"], "the voltages are not given"),
    "no number": (["take.wav", "--cv-values", "1,two,3"], "value 2: 'two' is no number"),
    "an empty value": (["take.wav", "--cv-values", "1,,3"], "value 2 is empty"),
    "one value": (["take.wav", "--cv-values", "1"], "a table needs two or more"),
    "not finite": (["take.wav", "--cv-values", "0,inf,2"], "'inf' is no number"),
    "beyond any voltage": (["take.wav", "--cv-values", "0,1e6,2"], "beyond any control voltage"),
    "two ways at once": (["take.wav", "--cv-values", "0,1,2", "--cv-channel", "2"], "both give the voltages"),
    "steps in two parts": (["take.wav", "--cv-steps", "0:5"], "has 2 parts"),
    "a step of nothing": (["take.wav", "--cv-steps", "0:5:0"], "leads nowhere"),
    "a step down": (["take.wav", "--cv-steps", "0:5:-1"], "leads nowhere"),
    "stop below start": (["take.wav", "--cv-steps", "5:0:1"], "for the way down write 0:5:1:down"),
    "no way": (["take.wav", "--cv-steps", "0:5:1:sideways"], "'sideways' is no way to go"),
    "too many steps": (["take.wav", "--cv-steps", "0:10:0.001"], "at most 1000"),
    "positions and steps": (["take.wav", "--positions", "0:2:1", "--cv-steps", "0:2:1"], "cannot be given together"),
    "no such file": (["take.wav", "--cv-file", "none.csv"], "no such file"),
    "a folder": (["take.wav", "--cv-file", "."], "is a folder"),
    "an empty file": (["take.wav", "--cv-file", "empty.csv"], "is empty"),
    "a header alone": (["take.wav", "--cv-file", "header.csv"], "0 steps"),
    "no column": (["take.wav", "--cv-file", "no-cv.csv"], "has no column cv_v"),
    "half of the times": (["take.wav", "--cv-file", "half.csv"], "only one of start_s and end_s"),
    "a word in the file": (["take.wav", "--cv-file", "word.csv"], "line 2, cv_v: 'one' is no number"),
    "no number in the file": (["take.wav", "--cv-file", "nan.csv"], "line 2, cv_v: 'nan' is no number"),
    "a gap in the file": (["take.wav", "--cv-file", "gap.csv"], "line 2, cv_v is empty"),
    "rows that overlap": (["take.wav", "--cv-file", "overlap.csv"], "let no two rows overlap"),
    "rows backwards": (["take.wav", "--cv-file", "backwards.csv"], "put the rows in order of time"),
    "an end before its start": (["take.wav", "--cv-file", "ends-first.csv"], "before it starts"),
    "before the take": (["take.wav", "--cv-file", "negative.csv"], "before the take"),
    "a thousand and one rows": (["take.wav", "--cv-file", "huge.csv"], "at most 1000"),
    "another encoding": (["take.wav", "--cv-file", "utf16.csv"], "UTF-8"),
    "two files for one take": (["take.wav", "--cv-file", "nan.csv", "--cv-file", "gap.csv"], "2 times for 1 captures"),
    "too few values": (["take.wav", "--cv-values", "0,1"], "3 plateaus were found for the 2 voltages"),
    "too many values": (["take.wav", "--cv-values", "0,1,2,3,4,5,6,7"], "cannot be told which"),
    "an unknown law": (["take.wav", "--cv-values", "0,1,2", "--law", "octaves"], "--law 'octaves' is not known"),
    "a law that cannot be": (["take.wav", "--cv-values", "2,1,0", "--law", "hertz-per-volt"], "does not rise with the voltage"),
    "no channel": (["take.wav", "--cv-channel", "zero"], "--cv-channel 'zero' is no channel"),
    "a channel that is not there": (["take.wav", "--cv-channel", "2", "--bench", "volts.toml"], "has 1 channel"),
    "the oscillator's own": (["two.wav", "--cv-channel", "1", "--bench", "volts.toml"], "channel of the oscillator"),
    "volts not known": (["two.wav", "--cv-channel", "2", "--bench", "no-volts.toml"], "volts of full scale are not known"),
    "a voltage that stays": (["two.wav", "--cv-channel", "2", "--bench", "volts.toml"], "stays within"),
    "negative full scale": (["two.wav", "--cv-channel", "2", "--bench", "bad-volts.toml"], "volts_per_full_scale"),
    "an unknown key": (["two.wav", "--cv-channel", "2", "--bench", "bad-key.toml"], 'did you mean "volts_per_full_scale"'),
    "silence": (["noise.wav", "--cv-values", "0,1,2"], "nothing oscillates"),
    "a turn without a table": (["take.wav", "--cv-values", "0,1,2", "--turned", "0.5"], "--turned needs the table"),
    "a table without a turn": (["take.wav", "--cv-values", "0,1,2", "--before", "other.json"], "give --turned"),
    "no turn": (["take.wav", "--cv-values", "0,1,2", "--before", "other.json", "--turned", "0"], "no number of turns"),
    "another document": (["take.wav", "--cv-values", "0,1,2", "--before", "other.json", "--turned", "1"], "not a calibration"),
    "a broken document": (["take.wav", "--cv-values", "0,1,2", "--before", "broken.json", "--turned", "1"], "no JSON"),
    "a list": (["take.wav", "--cv-values", "0,1,2", "--before", "list.json", "--turned", "1"], "not a calibration"),
    "an unknown note": (["take.wav", "--cv-values", "0,1,2", "--clockwise", "up"], "--clockwise 'up' is not known"),
    "output over the take": (["take.wav", "--cv-values", "0,1,2", "--csv", "take.wav"], "is one of the inputs"),
    "output over the steps": (["take.wav", "--cv-file", "nan.csv", "--csv", "nan.csv"], "is one of the inputs"),
    "output into a folder": (["take.wav", "--cv-values", "0,1,2", "--inverse", "."], "is a folder"),
    "output to nowhere": (["take.wav", "--cv-values", "0,1,2", "--json", "none/x.json"], "does not exist"),
    "a table on the screen": (["take.wav", "--cv-values", "0,1,2", "--csv", "-"], "--csv needs a file"),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_one_line_and_status_2(folder, monkeypatch, capsys, name):
    arguments, words = CASES[name]
    monkeypatch.chdir(folder)
    before = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    status = main(["calibrate", *arguments])
    said = capsys.readouterr()
    assert (status, said.out) == (2, "")
    assert said.err.count("\n") == 1
    assert said.err.startswith("listen: ")
    assert words in said.err
    assert "Traceback" not in said.err
    assert "fault of listen itself" not in said.err
    assert {path.name: path.stat().st_mtime_ns for path in folder.iterdir()} == before


def test_a_good_call_beside_them(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    assert main(["calibrate", "take.wav", "--cv-values", "-1,0,1"]) == 0
    said = capsys.readouterr()
    assert "Volt per octave: 1.00000 V an octave" in said.out
    assert said.err == ""
