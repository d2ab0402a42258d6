"""The benchmark on tiny inputs: what it measures with is right, what it prints fits and hides no loss."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

SCRIPTS = Path(__file__).resolve().parents[1] / "scripts"
sys.path.insert(0, str(SCRIPTS))

import bench_children  # noqa: E402
import bench_harmonics  # noqa: E402
import bench_many  # noqa: E402
import bench_memory  # noqa: E402
import bench_peers  # noqa: E402
import bench_pitch  # noqa: E402
import bench_start  # noqa: E402
import bench_table  # noqa: E402
import bench_takes  # noqa: E402
import bench_words  # noqa: E402


def tracker(cents: float, *, share: float = 1.0, **own: float) -> bench_peers.Tracker:
    """A tracker that is so far off, and gives a pitch in a part of its rows."""

    def run(take: bench_takes.Take) -> tuple[np.ndarray, np.ndarray]:
        time_s = np.arange(0.0, take.seconds, 0.01)
        f0_hz = take.f0_hz(time_s) * 2 ** (cents / 1200)
        f0_hz[np.arange(len(f0_hz)) % 100 >= 100 * share] = 0.0
        return time_s, f0_hz

    return bench_peers.Tracker("made up", "none", run, **own)


def take(low_hz: float = 100.0, high_hz: float = 400.0, seconds: float = 2.0) -> bench_takes.Take:
    return bench_takes._take("a glide", low_hz, high_hz, seconds, bench_takes.clipped_cosine(0.9), compare=True)


# What is measured with


@pytest.mark.parametrize("limit", [0.98, 0.7, 0.3])
def test_a_clipped_cosine_has_the_harmonics_of_its_own_samples(limit: float) -> None:
    phase = np.linspace(0.0, 2 * np.pi, 2**15, endpoint=False)
    want = np.fft.rfft(np.minimum(np.cos(phase), limit)).real[1:31] * 2 / len(phase)
    np.testing.assert_allclose(bench_takes.clipped_cosine(limit)[:30].real, want, atol=1e-8)


@pytest.mark.parametrize(
    ("name", "wave"),
    [
        ("triangle", lambda p: 1 - 2 * np.abs(p / np.pi - 2 * np.floor(p / (2 * np.pi) + 0.5))),
        ("square", lambda p: np.sign(np.cos(p))),
        ("sawtooth", lambda p: np.pi - p),
    ],
)
def test_the_standard_waves_are_what_they_are_called(name: str, wave: object) -> None:
    phase = (np.arange(2**15) + 0.5) * 2 * np.pi / 2**15
    found = np.fft.rfft(wave(phase)) * np.exp(-1j * np.pi * np.arange(2**14 + 1) / 2**15)  # type: ignore[operator]
    want = np.abs(found[1:10] / found[1])
    np.testing.assert_allclose(np.abs(bench_takes.standard_wave(name)[:9]), want, atol=1e-4)


def test_the_stated_pitch_is_the_one_in_the_samples() -> None:
    """Upward crossings of zero of a nearly pure glide, each cycle's pitch against the law at its middle."""
    glide = bench_takes._take("pure", 200.0, 800.0, 3.0, bench_takes.standard_wave("sine"), noise_db=-200.0)
    x = glide.samples
    n = np.flatnonzero((x[:-1] < 0) & (x[1:] >= 0))
    at = (n + x[n] / (x[n] - x[n + 1])) / bench_takes.RATE_HZ
    want = glide.f0_hz(0.5 * (at[1:] + at[:-1]))
    np.testing.assert_allclose(1 / np.diff(at), want, rtol=3e-4)


def test_errors_are_those_of_the_tracker() -> None:
    found = bench_pitch.accuracy(bench_pitch.errors(tracker(-12.0), take()))
    assert found == {"median": pytest.approx(12.0), "p95": pytest.approx(12.0), "gross": 0.0}
    assert bench_pitch.accuracy(bench_pitch.errors(tracker(60.0), take()))["gross"] == 100.0


def test_a_pitch_that_is_not_given_is_gross() -> None:
    found = bench_pitch.accuracy(bench_pitch.errors(tracker(3.0, share=0.75), take()))
    assert found["median"] == pytest.approx(3.0)
    assert found["gross"] == pytest.approx(25.0, abs=8.0)
    assert bench_pitch.accuracy(bench_pitch.errors(tracker(0.0, share=0.0), take())) == {"gross": 100.0}


def test_a_tracker_is_judged_within_its_own_range() -> None:
    whole = bench_pitch.errors(tracker(0.0), take())
    part = bench_pitch.errors(tracker(0.0, low_hz=200.0), take())
    assert 0.3 * len(whole) < len(part) < 0.7 * len(whole)


def test_ours_follows_a_take_and_its_harmonics() -> None:
    glide = take(seconds=1.5)
    assert bench_pitch.accuracy(bench_pitch.errors(bench_peers.OURS, glide))["p95"] < 0.5
    assert np.nanmedian(bench_harmonics.off(bench_harmonics.ours, glide)) < 0.05


def test_runs_are_interleaved() -> None:
    order: list[str] = []
    times = bench_pitch.interleaved({"a": lambda: order.append("a"), "b": lambda: order.append("b")}, 3)
    assert order == ["a", "b"] * 3
    assert set(times) == {"a", "b"}


def test_a_child_is_charged_with_its_own_memory_alone() -> None:
    ours = bytearray(400_000_000)
    small = bench_children.ran([sys.executable, "-I", "-S", "-c", "pass"])
    large = bench_children.ran([sys.executable, "-I", "-S", "-c", "x = b'1' * 150_000_000"])
    assert len(ours) == 400_000_000
    assert small.peak_mb < 100.0
    assert 150.0 < large.peak_mb < small.peak_mb + 200.0
    with pytest.raises(RuntimeError, match=r"left with status 3:\nwhy"):
        bench_children.ran([sys.executable, "-c", "import sys; sys.stderr.write('why'); sys.exit(3)"])


def test_a_written_sweep_has_its_length_rate_and_channels(tmp_path: Path) -> None:
    import soundfile

    bench_takes.write_sweep(tmp_path / "a.wav", 1.5, rate_hz=44100, channels=2)
    samples, rate_hz = soundfile.read(tmp_path / "a.wav")
    assert rate_hz == 44100
    assert samples.shape == (66150, 2)
    assert 0.3 < np.abs(samples).max() < 0.5


def test_what_is_not_installed_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(bench_peers.MODULES, "pyworld", "no_such_module")
    chosen, left = bench_peers.available(1)
    assert chosen[0] is bench_peers.OURS
    assert "pyworld, harvest: not installed" in left
    assert "librosa.pyin: takes minutes, --all runs it" in left
    assert "librosa.pyin" in [peer.name for peer in bench_peers.available(2)[0]]


# What is printed


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1902.3, "1902"),
        (13.47, "13.5"),
        (2.346, "2.35"),
        (0.4378, "0.438"),
        (0.0036, "0.0036"),
        (0.00007, "0.00007"),
        (4e-7, "<0.00001"),
        (0.0, "0"),
        (None, "-"),
        (float("nan"), "-"),
    ],
)
def test_three_digits_that_count(value: float | None, text: str) -> None:
    assert bench_words.number(value) == text


def test_columns_stand_under_their_heads() -> None:
    lines = bench_words.table(
        ("who", "time", "peak"),
        [("a name", 1.5, 20.0), ("b", None, "x")],
        units=("", " s", " MB"),
        groups=(("", 1), ("of all", 2)),
    )
    assert lines == [
        "                 of all",
        "who       time     peak",
        "-----------------------",
        "a name  1.50 s  20.0 MB",
        "b            -        x",
    ]


def test_each_loss_is_one_line_and_a_draw_is_none() -> None:
    words = {"s": ("slower than", " s"), "c": ("less exact than", " c")}
    others = {"a": {"s": 0.5, "c": 2.0}, "b": {"s": 1.0}, "d": {"c": 0.99, "s": float("nan")}}
    assert bench_words.losses({"s": 1.0, "c": 1.0}, others, words) == [
        "slower than a: 1.00 s against 0.500 s, 2.0 times",
        "less exact than d: 1.00 c against 0.990 c",
    ]


def pitch_row(*values: float) -> dict[str, float]:
    keys = ("median", "p95", "gross", "long_median", "long_p95", "long_gross", "seconds", "cpu_s", "ratio")
    return dict(zip(keys, values, strict=True))


FOUND = {
    "pitch": {
        "rows": {
            bench_pitch.UNIT: {"seconds": 0.1, "cpu_s": 0.1, "ratio": 1.0},
            bench_peers.OURS.name: pitch_row(0.001, 0.02, 0.0, 0.0001, 0.001, 0.0, 0.5, 0.9, 5.0),
            "parselmouth ac, accurate": pitch_row(1234.5, 0.003456, 0.4567, 0.0123, 2345.6, 12.34, 0.4, 12.3, 123.4),
        },
        "left_out": ["pesto: not installed"],
        "versions": {"librosa": "0.11"},
        "limited": ["swift-f0: 47 to 2093 Hz"],
        "takes": [f"a take number {i} (8 s)" for i in range(13)],
        "runs": 5,
    },
    "harmonics": {
        "rows": {
            name: {f"{line}_{key}": 0.01 for line in ("h2", "h3") for key in ("median", "p95", "worst")}
            for name in (bench_harmonics.OURS, bench_harmonics.PEER)
        },
        "takes": ["a take"],
    },
    "start": {
        "rows": {
            name: {"seconds": 0.3, "cpu_s": 0.3, "peak_mb": 100.0}
            for name in ("listen --help", bench_start.IMPORTS, "listen check, 10 s", "listen check, 60 s")
        },
        "runs": 9,
    },
    "memory": {
        "rows": [
            {"seconds": s, "rate_hz": 48000, "channels": 1, "peak_mb": 200 + s / 36, "wall_s": 0.01 * s, "file_mb": 5.0}
            for s in (10, 60, 3660)
        ],
        "growth_mb_per_hour": 100.0,
    },
    "many": {
        "rows": [{"workers": 1, "wall_s": 20.0, "cpu_s": 19.0}, {"workers": 2, "wall_s": 21.0, "cpu_s": 20.0}],
        "count": 200,
        "runs": 3,
    },
}
ABOUT = {
    "cores": 2,
    "load": 0.1,
    "processor": "some processor",
    "python": "3.11",
    "packages": {"numpy": "2.0"},
    "listen": "0.1",
    "blas_threads": "1",
}


def test_the_page_fits_and_says_all_losses() -> None:
    page = bench_table.page(ABOUT, FOUND)
    assert max(map(len, page.splitlines())) <= 100
    end = page[page.index("Where listen loses") :].splitlines()
    assert end[1:] == [
        "- Pitch: less exact (95 %, takes) than parselmouth ac, accurate: 0.020 c against 0.0035 c, 5.8",
        "  times",
        "- Pitch: slower than parselmouth ac, accurate: 0.500 s against 0.400 s, 1.2 times",
        "- Many takes in one run: two processes are slower than one: 21.0 s against 20.0 s",
    ]
    assert "Left out: pesto: not installed." in page
    assert "Each further hour takes 100 MB" in page


def test_a_run_without_losses_says_so() -> None:
    assert bench_table.losing({"harmonics": FOUND["harmonics"]}) == ["none in the sections that were run"]


def test_the_readmes_block_holds_tables_and_losses() -> None:
    block = bench_table.readme_block(ABOUT, FOUND).splitlines()
    assert "| listen, all columns | 0.001 | 0.020 | 0 | 0.00010 | 0.001 | 5.00 |" in block
    assert sum(line.startswith("|---|") for line in block) == 5
    assert block[-1] == "- Many takes in one run: two processes are slower than one: 21.0 s against 20.0 s"


def test_memory_grows_by_the_hour() -> None:
    assert bench_memory.growth(FOUND["memory"]["rows"]) == pytest.approx(100.0)  # type: ignore[arg-type, index]
    assert bench_memory.growth(FOUND["memory"]["rows"][:2]) is None  # type: ignore[index]
    assert bench_memory.lengths(600.0) == [10, 60, 600]
    assert bench_memory.lengths(5400.0) == [10, 60, 600, 3600, 5400]
    assert [bench_memory.worded(s) for s in (10, 90, 600, 5400, 28800)] == ["10 s", "90 s", "10 min", "90 min", "8 h"]


@pytest.mark.parametrize(("text", "value"), [("90", 90.0), ("10min", 600.0), ("8h", 28800.0), ("1.5 h", 5400.0)])
def test_lengths_as_people_write_them(text: str, value: float) -> None:
    assert bench_table.seconds(text) == value


@pytest.mark.parametrize("call", [["--long", "9h"], ["--long", "soon"], ["--only", "pitch,volume"]])
def test_a_wrong_call_is_one_line(call: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        bench_table.main(call)
    assert left.value.code == 2
    assert capsys.readouterr().err.splitlines()[-1].startswith(f"scripts/bench: error: argument {call[0]}: ")


def test_a_file_that_cannot_be_written_is_said_before_anything_is_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bench_table.main(["--json", str(tmp_path / "no" / "a.json")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_folder_of_takes_is_full(tmp_path: Path) -> None:
    place = bench_many.folder_of_takes(tmp_path, 3)
    assert [path.name for path in sorted(place.iterdir())] == ["take-000.wav", "take-001.wav", "take-002.wav"]
