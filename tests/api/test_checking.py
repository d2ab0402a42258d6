"""The verb: what is stated where, which of it wins, and what comes back."""

from __future__ import annotations

import itertools
import json
import shutil
import threading
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

import listen
from listen.api.bench_lookup import find_bench_file
from listen.bench import Bench, BuildSettings
from listen.capture.reader import SampleReader
from listen.errors import BenchError, LimitsError, OptionError
from listen.report import check_document, check_schema, documents_text

ROOT = Path(__file__).resolve().parents[2]
UNEQUAL = ROOT / "fixtures" / "sine-board-unequal-supplies.wav"
TRIANGLE = ROOT / "fixtures" / "triangle-board.wav"


@pytest.fixture(scope="module")
def unequal() -> listen.CheckResult:
    return listen.check(UNEQUAL)


@pytest.fixture
def take(tmp_path: Path) -> Path:
    """Return a copy of a healthy triangle in a folder of its own."""
    return Path(shutil.copy(TRIANGLE, tmp_path / "take.wav"))


@pytest.mark.parametrize(
    ("settings", "error", "says"),
    [
        ({"wave": "sinus"}, OptionError, 'did you mean "sine"'),
        ({"gain_control": "valve"}, OptionError, "known: jfet"),
        ({"channel": 3}, OptionError, "has 1 channel"),
        ({"start_s": 99.0}, OptionError, "4.000 s long"),
        ({"start_s": 2.0, "end_s": 1.0}, OptionError, "not after"),
        ({"bench": "nowhere.toml"}, BenchError, "nowhere.toml"),
        ({"limits": "nowhere.toml"}, LimitsError, "nowhere.toml"),
    ],
)
def test_what_cannot_be_done_is_said(settings: dict[str, object], error: type[Exception], says: str) -> None:
    with pytest.raises(error, match=says):
        listen.check(TRIANGLE, **settings)  # type: ignore[arg-type]


def test_all_errors_are_one_family_that_the_package_names() -> None:
    with pytest.raises(listen.ListenError):
        listen.check("no such take.wav")


def test_the_shortcuts_are_the_judgement(unequal: listen.CheckResult) -> None:
    judgement = unequal.judgement
    assert unequal.verdict == judgement.verdict == "fault"
    assert unequal.headline is judgement.headline
    assert unequal.findings is judgement.findings
    assert unequal.sweep is judgement.sweep
    assert unequal.summary is judgement.summary
    assert unequal.not_shown is judgement.not_shown
    assert unequal.bench is None
    assert unequal.bench_path is None
    assert len(unequal.diagnoses) == len(unequal.findings)


def test_the_positive_half_flattens_and_the_causes_name_it(unequal: listen.CheckResult) -> None:
    worst, diagnosis = unequal.findings[0], unequal.diagnoses[0]
    assert (worst.kind, worst.half, worst.severity) == ("asymmetric-clipping", "positive", "fault")
    assert worst.f0_low_hz is not None
    assert "positive supply rail" in diagnosis.likely_causes[0]


def test_the_document_of_a_real_check_holds_to_the_schema(unequal: listen.CheckResult) -> None:
    document = json.loads(documents_text([check_document(unequal)], array=False))
    jsonschema.validate(document, check_schema(), cls=jsonschema.Draft202012Validator)
    assert document["capture"]["frames"] == unequal.capture.n_samples
    assert len(document["findings"]) == len(unequal.findings)


def test_it_shows_itself(unequal: listen.CheckResult) -> None:
    assert repr(unequal).startswith("<CheckResult fault: asymmetric-clipping (fault)")
    assert "\n" not in repr(unequal)
    assert "    pitch │ " in str(unequal)
    assert unequal._repr_html_().startswith("<div")


def test_the_same_take_gives_the_same_answer(unequal: listen.CheckResult) -> None:
    assert check_document(listen.check(UNEQUAL)) == check_document(unequal)


def test_without_a_word_it_is_a_sine(take: Path) -> None:
    result = listen.check(take)
    assert (result.wave, result.gain_control, result.topology, result.bench) == ("sine", None, None, None)


def test_a_bench_file_beside_the_capture_is_used_and_said(take: Path) -> None:
    bench = take.with_name("bench.toml")
    bench.write_text(
        '[build]\nwave = "triangle"\ntopology = "triangle-core"\ngain_control = "none"\n'
        "[capture]\nvolts_per_full_scale = 5.0\n"
    )
    result = listen.check(take)
    assert (result.wave, result.topology, result.gain_control) == ("triangle", "triangle-core", "none")
    assert result.capture.volts_per_full_scale == 5.0
    assert result.verdict == "pass"
    assert "with the bench file bench.toml" in str(result)
    assert check_document(result)["settings"]["bench"] == str(bench)


def test_what_is_said_in_the_call_beats_the_bench_file(take: Path) -> None:
    take.with_name("bench.toml").write_text('[build]\nwave = "sawtooth"\ngain_control = "lamp"\n')
    result = listen.check(take, wave="triangle", gain_control="none")
    assert (result.wave, result.gain_control) == ("triangle", "none")


def test_a_named_bench_file_beats_the_one_beside(take: Path, tmp_path: Path) -> None:
    take.with_name("bench.toml").write_text('[build]\nwave = "sawtooth"\n')
    other = tmp_path / "other.toml"
    other.write_text('[build]\nwave = "triangle"\n')
    result = listen.check(take, bench=other)
    assert result.wave == "triangle"
    assert result.bench_path == str(other)


def test_a_bench_made_in_python_is_taken(take: Path) -> None:
    result = listen.check(take, bench=Bench(build=BuildSettings(wave="triangle")))
    assert (result.wave, result.bench_path) == ("triangle", None)


def test_a_bad_bench_file_beside_the_capture_is_not_passed_over(take: Path) -> None:
    take.with_name("bench.toml").write_text("[build]\nwav = 'triangle'\n")
    with pytest.raises(BenchError, match="wav"):
        listen.check(take)


@pytest.mark.parametrize("name", ["take.wav", "sub/take.wav", "a\0b/take.wav", "x" * 300 + "/take.wav"])
def test_looking_beside_a_capture_never_fails(tmp_path: Path, name: str) -> None:
    assert find_bench_file(tmp_path / name) is None


def test_standard_input_has_nothing_beside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bench.toml").write_text("")
    monkeypatch.chdir(tmp_path)
    assert find_bench_file("-") is None
    assert find_bench_file("take.wav") == Path("bench.toml")


def test_limits_of_ones_own_change_the_verdict(tmp_path: Path) -> None:
    limits = tmp_path / "limits.toml"
    limits.write_text("[asymmetric-clipping]\nattention = 2.0\nfault = 50.0\n")
    result = listen.check(UNEQUAL, limits=limits)
    assert result.verdict == "attention"
    assert result.judgement.limits["asymmetric-clipping"]["fault"] == 50.0


def test_a_span_keeps_the_times_of_the_file() -> None:
    result = listen.check(TRIANGLE, wave="triangle", start_s=1.0, end_s=2.5)
    time_s = result.frames.time_s
    assert time_s.min() >= 1.0 - 0.02
    assert time_s.max() <= 2.5 + 0.02
    whole = listen.check(TRIANGLE, wave="triangle")
    inside = result.frames.oscillating & (time_s > 1.2) & (time_s < 2.3)
    f0_hz = np.interp(time_s[inside], whole.frames.time_s, whole.frames.f0_hz)
    # Interpolated over 20 ms of a sweep: 0.1 cents of curvature at most, where a wrong second is hundreds.
    np.testing.assert_allclose(1200 * np.log2(result.frames.f0_hz[inside] / f0_hz), 0.0, atol=0.5)
    assert "looked at from 1.00 to 2.50 s" in str(result)


def test_progress_goes_up_to_the_end() -> None:
    parts: list[float] = []
    listen.check(TRIANGLE, wave="triangle", progress=parts.append)
    assert parts
    assert all(0.0 <= part <= 1.0 for part in parts)
    assert all(a <= b for a, b in itertools.pairwise(parts))
    assert parts[-1] == 1.0


@pytest.mark.parametrize("done", [0.0, 0.35], ids=["rough pitch", "parts"])
def test_an_interrupted_check_reads_no_further(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, done: float) -> None:
    """The thread that scans for damage, and the parts that were queued, end with it."""
    soundfile.write(tmp_path / "silence.flac", np.zeros(48000 * 600, dtype=np.int16), 48000)
    interrupted, late = threading.Event(), []
    plain_read = SampleReader.read

    def counted(self: SampleReader, start: int, stop: int, channel_index: int) -> object:
        samples = plain_read(self, start, stop, channel_index)
        if interrupted.is_set():
            late.append(stop - start)
        return samples

    def interrupt(share: float) -> None:
        if share > done:
            interrupted.set()
            raise KeyboardInterrupt

    monkeypatch.setattr(SampleReader, "read", counted)
    with pytest.raises(KeyboardInterrupt):
        listen.check(tmp_path / "silence.flac", progress=interrupt)
    assert sum(late) < 0.2 * 48000 * 600  # what two threads and the scan had in hand
