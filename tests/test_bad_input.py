"""Everything that a person may do wrong: one clear line, status 2, and nothing of theirs touched."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.cli import main
from tests.ordinary_user import held_to_permissions

REPO = Path(__file__).resolve().parents[1]
RATE_HZ = 48_000
Make = Callable[[Path], object]


def tone(seconds: float = 1.0, channels: int = 1, rate_hz: int = RATE_HZ, f0_hz: float = 440.0) -> np.ndarray:
    n = round(seconds * rate_hz)
    x = 0.5 * np.sin(2.0 * np.pi * f0_hz * np.arange(n) / rate_hz)
    x += 1e-5 * np.random.default_rng(1).standard_normal(n)
    return x if channels == 1 else np.repeat(x[:, None], channels, axis=1)


def wav(x: np.ndarray, rate_hz: int = RATE_HZ, subtype: str = "PCM_24", fmt: str = "WAV") -> Make:
    return lambda path: soundfile.write(path, x, rate_hz, subtype=subtype, format=fmt)


def raw(data: bytes | str) -> Make:
    return lambda path: path.write_bytes(data if isinstance(data, bytes) else data.encode())


def wide_wav(bits: int) -> bytes:
    """A WAV of whole numbers wider than the file library reads."""
    width = bits // 8
    fmt = struct.pack("<HHIIHH", 1, 1, RATE_HZ, RATE_HZ * width, width, bits)
    data = bytes(width * 9600)
    body = b"WAVEfmt " + struct.pack("<I", len(fmt)) + fmt + b"data" + struct.pack("<I", len(data)) + data
    return b"RIFF" + struct.pack("<I", len(body)) + body


def cut_short(path: Path) -> None:
    soundfile.write(path, tone(), RATE_HZ, subtype="PCM_24")
    path.write_bytes(path.read_bytes()[:400])


# A capture that cannot be used: how it is made, what the line says.
CAPTURES: dict[str, tuple[Make, str]] = {
    "missing": (lambda _: None, "no such file"),
    "no numbers": (wav(np.full(9600, np.nan), subtype="FLOAT"), "none of its numbers can be a sample"),
    "beyond all measure": (wav(1e30 * tone(), subtype="DOUBLE"), "none of its numbers can be a sample"),
    "empty folder": (lambda p: p.mkdir(), "holds no sound file"),
    "empty": (raw(b""), "is empty (0 bytes)"),
    "one byte": (raw(b"R"), "is no sound file"),
    "text": (raw("the pot was scratchy today\n" * 99), "is no sound file"),
    "numbers": (raw("time_s,f0_hz\n0.02,440\n" * 99), "is no sound file"),
    "picture": (raw(b"\x89PNG\r\n\x1a\n" + bytes(999)), "is no sound file"),
    "archive": (raw(b"PK\x03\x04" + bytes(999)), "is no sound file"),
    "noise": (raw(np.random.default_rng(3).bytes(20_000)), "is no sound file"),
    "zeros": (raw(bytes(20_000)), "is no sound file"),
    "header alone": (raw(b"RIFF\x24\x00\x00\x00WAVE"), "is no sound file"),
    "no data chunk": (raw(wide_wav(16)[:36]), "is no sound file"),
    "36 bits": (raw(wide_wav(40)), "is no sound file"),
    "64 bits": (raw(wide_wav(64)), "is no sound file"),
    "flac marker alone": (raw(b"fLaC"), "is no sound file"),
    "no samples": (wav(tone(0.0)), "holds no samples"),
    "49 ms": (wav(tone(0.049)), "at least 50 ms is needed"),
    "broken off at once": (cut_short, "samples that its header promises"),
    "rate too low": (wav(tone(), rate_hz=4000), "sample rate 4000 Hz, expected 8000 to 384000 Hz"),
    "rate too high": (wav(tone(), rate_hz=768_000), "sample rate 768000 Hz"),
    "33 channels": (wav(tone(0.2, channels=33)), "33 channels, expected at most 32"),
    "dangling link": (lambda p: p.symlink_to(p.parent / "gone.wav"), "no such file"),
    "link to itself": (lambda p: p.symlink_to(p), "cannot be read"),
    "nine cycles": (wav(tone(0.3, f0_hz=30.0)), "holds 9.0 cycles of a tone of 30.0 Hz, at least 10 are needed"),
}  # fmt: skip

# A call that cannot be meant: arguments after "check" (good.wav is a good take), what the line says.
CALLS: dict[str, tuple[Sequence[str], str]] = {
    "no capture": ([], "CAPTURE"),
    "empty name": ([""], "file"),
    "name too long": (["x" * 5000], "cannot be read"),
    "device": (["/dev/null"], "is a device"),
    "no such folder": (["nowhere/take.wav"], "no such file"),
    "capture of one line break": (["a\nb.wav"], "a b.wav: no such file"),
    "unknown option": (["good.wav", "--chanel", "1"], 'did you mean "--channel"'),
    "shortened option": (["good.wav", "--chan", "1"], "--chan"),
    "single dash": (["good.wav", "-channel", "1"], "-channel"),
    "option of another verb": (["good.wav", "--law", "auto"], "--law"),
    "option without its value": (["good.wav", "--json"], "--json"),
    "channel 0": (["good.wav", "--channel", "0"], "channels count from 1"),
    "channel -1": (["good.wav", "--channel", "-1"], "channel"),
    "channel left": (["good.wav", "--channel", "left"], "channels count from 1"),
    "channel 1.5": (["good.wav", "--channel", "1.5"], "channels count from 1"),
    "channel 2 of 1": (["good.wav", "--channel", "2"], "good.wav has 1 channel; give 1"),
    "channel 3 of 2": (["stereo.wav", "--channel", "3"], "stereo.wav has 2 channels; give 1 to 2"),
    "start negative": (["good.wav", "--start", "-1"], "--start"),
    "start text": (["good.wav", "--start", "soon"], "--start"),
    "start nan": (["good.wav", "--start", "nan"], "--start"),
    "start beyond the end": (["good.wav", "--start", "5"], "good.wav is 1.000 s long; give less than 1.000"),
    "end before start": (["good.wav", "--start", "0.6", "--end", "0.5"], "--end 0.5 is not after --start 0.6"),
    "end 0": (["good.wav", "--end", "0"], "--end 0"),
    "end inf": (["good.wav", "--end", "inf"], "--end"),
    "span too short": (["good.wav", "--start", "0.5", "--end", "0.52"], "at least 50 ms is needed"),
    "wave unknown": (["good.wav", "--wave", "trianlge"], 'did you mean "triangle"'),
    "wave in capitals": (["good.wav", "--wave", "SINE"], '"sine"'),
    "wave empty": (["good.wav", "--wave", ""], "--wave"),
    "gain control unknown": (["good.wav", "--gain-control", "bulb"], "jfet, diodes, lamp, ldr, none, other"),
    "frames of two": (["good.wav", "stereo.wav", "--frames", "new.csv"], "--frames takes one capture"),
    "frames to standard output": (["good.wav", "--frames", "-"], "--frames needs a file"),
    "json over the capture": (["good.wav", "--json", "good.wav"], "is one of the inputs"),
    "json over the capture by a link": (["good.wav", "--json", "link.wav"], "is one of the inputs"),
    "json over the capture by a hard link": (["good.wav", "--json", "hard.wav"], "is one of the inputs"),
    "json over the capture by another way": (["good.wav", "--json", "folder/../good.wav"], "is one of the inputs"),
    "frames over the second capture": (["good.wav", "--frames", "good.wav"], "is one of the inputs"),
    "json over the bench file": (["good.wav", "--bench", "good.toml", "--json", "good.toml"], "is one of the inputs"),
    "json over the limits": (["good.wav", "--limits", "limits.toml", "--json", "limits.toml"], "is one of the inputs"),
    "json and frames in one file": (["good.wav", "--json", "new", "--frames", "new"], "is one of the inputs"),
    "json to a folder": (["good.wav", "--json", "folder"], "is a folder"),
    "json to a folder by its ending": (["good.wav", "--json", "new/"], "is a folder"),
    "json to a folder that is not there": (["good.wav", "--json", "nowhere/new.json"], "does not exist"),
    "frames to a folder that is not there": (["good.wav", "--frames", "nowhere/new.csv"], "does not exist"),
    "json below a file": (["good.wav", "--json", "old.json/new.json"], "does not exist"),
    "json without a name": (["good.wav", "--json", ""], "--json"),
    "bench missing": (["good.wav", "--bench", "none.toml"], "none.toml: no such file"),
    "bench is a folder": (["good.wav", "--bench", "folder"], "folder: is a folder"),
    "bench is a capture": (["good.wav", "--bench", "good.wav"], "not a text in UTF-8"),
    "limits missing": (["good.wav", "--limits", "none.toml"], "none.toml"),
    "limits are a folder": (["good.wav", "--limits", "folder"], "folder"),
    "limits are a capture": (["good.wav", "--limits", "good.wav"], "good.wav"),
}  # fmt: skip

# A bench file that cannot be meant.
BENCHES: dict[str, tuple[str, str]] = {
    "no TOML": ("[capture\n", "is not valid TOML"),
    "unknown table": ("[recording]\nchannel = 1\n", "[build], [capture], [recorder], [cv]"),
    "unknown key": ("[capture]\nchanel = 1\n", 'did you mean "channel"'),
    "key outside a table": ("channel = 1\n", "channel"),
    "a word for a number": ('[capture]\nvolts_per_full_scale = "5 V"\n', "volts_per_full_scale"),
    "no volts": ("[capture]\nvolts_per_full_scale = 0\n", "above 0"),
    "channel 0": ("[capture]\nchannel = 0\n", "channels count from 1"),
    "channel not in the file": ("[capture]\nchannel = 2\n", "good.wav has 1 channel"),
    "supply upside down": ("[build]\nsupply_v = [12, -12]\n", "the lower rail first"),
    "unknown topology": ('[build]\ntopology = "wein-bridge"\n', 'did you mean "wien-bridge"'),
    "unknown gain control": ('[build]\ngain_control = "thermistor"\n', "one of jfet, diodes, lamp, ldr, none, other"),
    "unknown part": ("[build.parts]\nr9_ohm = 10e3\n", "r9_ohm"),
    "key twice": ("[cv]\nchannel = 1\nchannel = 2\n", "is not valid TOML"),
}  # fmt: skip

# A file of limits that cannot be meant.
LIMITS: dict[str, tuple[str, str]] = {
    "no TOML": ("attention = = 1\n", "TOML"),
    "unknown kind": ("[asymetric-clipping]\nattention = 3\n", 'did you mean "asymmetric-clipping"'),
    "unknown key": ("[level-drift]\nwarning = 3\n", "attention, fault"),
    "kind without a table": ("level-drift = 3\n", "level-drift"),
    "a word for a number": ('[level-drift]\nattention = "3 dB"\n', "number"),
    "truth for a number": ("[level-drift]\nattention = true\n", "number"),
    "not a number": ("[level-drift]\nattention = nan\n", "number"),
    "below nothing": ("[level-drift]\nattention = -1\n", "level-drift"),
    "nested without end": ("x = " + "[" * 5000, "TOML"),
    "very long": ("# " + "x" * 1_000_001, "is over 1 MB"),
    "fault before attention": ("[level-drift]\nattention = 5\nfault = 2\n", "level-drift"),
}  # fmt: skip


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with good files, and results of an earlier run that must survive."""
    monkeypatch.chdir(tmp_path)
    wav(tone())(tmp_path / "good.wav")
    wav(tone(channels=2))(tmp_path / "stereo.wav")
    (tmp_path / "good.toml").write_text("[capture]\nchannel = 1\n")
    (tmp_path / "limits.toml").write_text("[level-drift]\nattention = 2\n")
    (tmp_path / "link.wav").symlink_to("good.wav")
    (tmp_path / "hard.wav").hardlink_to(tmp_path / "good.wav")
    (tmp_path / "folder").mkdir()
    (tmp_path / "old.json").write_text("an earlier result")
    (tmp_path / "old.csv").write_text("an earlier table")
    return tmp_path


def state(folder: Path) -> dict[str, object]:
    """All that is in a folder: contents, kinds, times of change."""
    found: dict[str, object] = {}
    for path in sorted(folder.rglob("*")):
        stat = path.lstat()
        content = os.readlink(path) if path.is_symlink() else path.read_bytes() if path.is_file() else None
        found[str(path.relative_to(folder))] = (stat.st_mode, stat.st_mtime_ns if path.is_file() else 0, content)
    return found


def refused(capsys: pytest.CaptureFixture[str], folder: Path, call: Sequence[str]) -> list[str]:
    """Run a call that must be refused; return its lines, without the program's name."""
    before = state(folder)
    status = main(list(call))
    out, err = capsys.readouterr()
    assert status == 2, err
    assert out == ""
    assert "Traceback" not in err
    assert "fault of listen itself" not in err
    lines = err.splitlines()
    assert all(line.startswith("listen: ") for line in lines), err
    assert state(folder) == before
    return [line.removeprefix("listen: ") for line in lines]


def assert_one_line_with_a_mend(lines: list[str], what: str) -> None:
    assert len(lines) == 1
    assert what in lines[0]
    problem, _, mend = lines[0].partition("; ")
    assert problem
    assert len(mend) >= len("give 1")
    # Seven lines of a terminal of 80 columns at most, the names of files apart.
    assert len(lines[0]) < 560 or "x" * 500 in lines[0]


def test_there_are_enough_cases():
    assert len(CAPTURES) + len(CALLS) + len(BENCHES) + len(LIMITS) >= 60


@pytest.mark.parametrize("case", CAPTURES)
def test_captures(bench, capsys, case):
    make, what = CAPTURES[case]
    make(bench / "take.wav")
    lines = refused(capsys, bench, ["check", "take.wav", "--json", "old.json", "--frames", "old.csv"])
    assert_one_line_with_a_mend(lines, what)
    assert lines[0].startswith("take.wav: ")


def test_eleven_cycles_are_enough(bench, capsys):
    wav(tone(0.37, f0_hz=30.0))(bench / "take.wav")
    assert main(["check", "take.wav", "--quiet"]) in (0, 1), capsys.readouterr().err


@pytest.mark.parametrize("case", CALLS)
def test_calls(bench, capsys, case):
    arguments, what = CALLS[case]
    assert_one_line_with_a_mend(refused(capsys, bench, ["check", *arguments]), what)


def test_every_bad_capture_of_several_has_its_line(bench, capsys):
    lines = refused(capsys, bench, ["check", "missing.wav", "folder", "--json", "old.json", "--quiet"])
    assert [line.split(";")[0] for line in lines] == ["missing.wav: no such file", "folder: holds no sound file"]


@pytest.mark.parametrize(
    ("call", "what"),
    [([], "no command"), (["chekc", "good.wav"], "chekc"), (["good.wav"], "good.wav"), (["--wave", "sine"], "sine")],
)
def test_no_command_or_no_such_command(bench, capsys, call, what):
    assert_one_line_with_a_mend(refused(capsys, bench, call), what)


@pytest.mark.parametrize("beside", [False, True], ids=["named", "beside"])
@pytest.mark.parametrize("case", BENCHES)
def test_bench_files(bench, capsys, case, beside):
    text, what = BENCHES[case]
    name = "bench.toml" if beside else "mine.toml"
    (bench / name).write_text(text)
    option = [] if beside else ["--bench", name]
    lines = refused(capsys, bench, ["check", "good.wav", *option, "--json", "old.json"])
    assert_one_line_with_a_mend(lines, what)
    assert name in lines[0] or "bench file" in lines[0]


@pytest.mark.parametrize("case", LIMITS)
def test_files_of_limits(bench, capsys, case):
    text, what = LIMITS[case]
    (bench / "mine.toml").write_text(text)
    lines = refused(capsys, bench, ["check", "good.wav", "--limits", "mine.toml", "--json", "old.json"])
    assert_one_line_with_a_mend(lines, what)
    assert "mine.toml" in lines[0]


@pytest.mark.parametrize(
    ("locked", "mode", "call"),
    [
        ("good.wav", 0o000, ["good.wav"]),
        ("good.toml", 0o000, ["good.wav", "--bench", "good.toml"]),
        ("limits.toml", 0o000, ["good.wav", "--limits", "limits.toml"]),
        ("old.json", 0o444, ["good.wav", "--json", "old.json"]),
        ("folder", 0o555, ["good.wav", "--json", "folder/new.json"]),
    ],
)
@pytest.mark.skipif(os.name == "nt", reason="permissions differ there")
def test_permissions(bench, locked, mode, call):
    words = [*held_to_permissions(), sys.executable, "-m", "listen.cli", "check", *call]
    (bench / locked).chmod(mode)
    try:
        done = subprocess.run(
            words, env={**os.environ, "PYTHONPATH": str(REPO)}, capture_output=True, text=True, check=False
        )
    finally:
        (bench / locked).chmod(0o755)
    assert (done.returncode, done.stdout) == (2, "")
    assert_one_line_with_a_mend([line.removeprefix("listen: ") for line in done.stderr.splitlines()], locked)
    assert sorted(os.listdir(bench / "folder")) == []


@pytest.mark.parametrize("data", [b"", b"not a sound"])
def test_bad_standard_input_in_a_process_of_its_own(data):
    done = subprocess.run(
        [sys.executable, "-m", "listen.cli", "check", "-"], input=data, cwd=REPO, capture_output=True, check=False
    )
    err = done.stderr.decode()
    assert (done.returncode, done.stdout, err.count("\n")) == (2, b"", 1)
    assert err.startswith("listen: standard input: ")
