"""The recording chain from short takes: volts, polarity, coupling, floor, hum."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
import soundfile

from listen.api.setting_up import setup
from listen.bench import load_bench
from listen.calibration.recording_chain import contact, floor_of
from listen.cli import main
from listen.errors import BenchError, CaptureError, OptionError
from listen.report.bench_text import with_keys

RATE_HZ = 48000


def touched(corners_hz, *, size=0.2, held_s=2.0, bounces=0, inverted=False, noise=1e-5, seed=1) -> np.ndarray:
    """A cell touched to an input: the voltage at the input, through the couplings."""
    from scipy.signal import butter, lfilter

    rng = np.random.default_rng(seed)
    x = np.zeros(round((held_s + 2.0) * RATE_HZ))
    start, at = RATE_HZ, RATE_HZ
    for _ in range(bounces):
        length = int(rng.uniform(0.0005, 0.004) * RATE_HZ)
        x[at : at + length] = size
        at += length + int(rng.uniform(0.0003, 0.003) * RATE_HZ)
    x[at : start + round(held_s * RATE_HZ)] = size
    for corner in corners_hz:
        x = lfilter(*butter(1, corner, "high", fs=RATE_HZ), x)
    return (-x if inverted else x) + noise * rng.standard_normal(len(x))


@pytest.mark.parametrize("corner_hz", [0.7, 2.0, 7.0, 16.0])
@pytest.mark.parametrize("bounces", [0, 5])
@pytest.mark.parametrize("inverted", [False, True])
def test_one_coupling(corner_hz, bounces, inverted):
    found = contact(touched([corner_hz], bounces=bounces, inverted=inverted), RATE_HZ, "cell.wav")
    assert found.inverted is inverted
    assert len(found.corners_hz) == 1
    # the bilinear transform's corner is that of the analogue filter to (pi fc / rate)^2 / 3; bounces leave a charge
    assert found.corner_hz == pytest.approx(corner_hz, rel=0.005 if not bounces else 0.03)
    assert found.step_fs == pytest.approx(0.2, rel=0.05)
    assert (found.bounces > 0) is (bounces > 0)
    assert found.held_s == pytest.approx(2.0, abs=0.05)


def test_two_couplings_alike():
    """Nearly the same corner twice: two are seen, and their sum is known better than either."""
    found = contact(touched((3.0, 4.0)), RATE_HZ, "cell.wav")
    assert len(found.corners_hz) == 2
    assert found.corner_hz == pytest.approx(7.0, rel=0.02)


@pytest.mark.parametrize("corners_hz", [(2.0, 14.5), (1.0, 20.0)])
def test_two_couplings_in_series(corners_hz):
    found = contact(touched(corners_hz), RATE_HZ, "cell.wav")
    assert found.corners_hz == pytest.approx(corners_hz, rel=0.05)
    assert found.corner_hz == pytest.approx(sum(corners_hz), rel=0.02)


def test_a_dc_coupled_input():
    found = contact(touched([]), RATE_HZ, "cell.wav")
    assert found.corners_hz == ()
    assert found.corner_hz == 0.0


def test_a_contact_too_short_for_the_corner():
    assert contact(touched([1.0], held_s=0.03), RATE_HZ, "cell.wav").corner_hz is None


def test_no_contact():
    with pytest.raises(CaptureError, match="no contact"):
        contact(1e-5 * np.random.default_rng(1).standard_normal(RATE_HZ), RATE_HZ, "cell.wav")
    with pytest.raises(CaptureError, match="begins with the contact"):
        contact(touched([2.0])[RATE_HZ - 100 :], RATE_HZ, "cell.wav")


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum_over_the_floor(mains):
    time_s = np.arange(5 * RATE_HZ) / RATE_HZ
    rng = np.random.default_rng(2)
    x = 1e-4 * rng.standard_normal(len(time_s)) + 0.01
    for order, share in ((1, 1.0), (2, 0.5), (3, 0.25)):
        x += 2e-4 * share * np.sin(2 * np.pi * order * (mains + 0.02) * time_s + order)
    found = floor_of(x, RATE_HZ, "silence.wav")
    assert found.hum_hz == mains
    # a full-scale sine is 0 dBFS: amplitudes 2, 1, 0.5 times 1e-4
    assert found.hum_dbfs == pytest.approx(20 * np.log10(2e-4 * np.sqrt(1 + 0.25 + 0.0625)), abs=0.3)
    rms = np.sqrt(1e-8 + 0.5 * 4e-8 * 1.3125)
    assert found.floor_dbfs == pytest.approx(20 * np.log10(rms * np.sqrt(2)), abs=0.1)


def test_no_hum_in_plain_noise():
    found = floor_of(1e-4 * np.random.default_rng(3).standard_normal(5 * RATE_HZ), RATE_HZ, "silence.wav")
    assert found.hum_hz is None
    assert found.hum_dbfs is None


def wav(path, x):
    soundfile.write(path, x, RATE_HZ, subtype="PCM_24")
    return path


def sine(f0_hz=220.0, seconds=2.0, peak=0.4):
    return peak * np.sin(2 * np.pi * f0_hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


def test_a_whole_bench_file(tmp_path):
    bench = tmp_path / "bench.toml"
    bench.write_text('# my bench\n[build]\nname = "first"\n\n[capture]\nchannel = 1 # left\nac_coupling_hz = 99.0\n')
    result = setup(
        tone=wav(tmp_path / "tone.wav", sine()),
        meter_v=2.0,
        cell=wav(tmp_path / "cell.wav", touched([2.0], inverted=True)),
        silence=wav(tmp_path / "silence.wav", 1e-4 * np.random.default_rng(1).standard_normal(RATE_HZ * 2)),
        write=bench,
    )
    known = load_bench(bench)
    # peak volts at full scale: 2 V r.m.s. are 2.828 V peak, at a peak of 0.4
    assert known.capture.volts_per_full_scale == pytest.approx(2.0 * np.sqrt(2.0) / 0.4, rel=1e-4)
    assert known.capture.inverted is True
    assert known.capture.ac_coupling_hz == pytest.approx(2.0, rel=0.01)
    assert known.build.name == "first"
    text = bench.read_text()
    assert text.startswith("# my bench\n[build]")
    assert "channel = 1 # left" in text
    assert "# floor -77.0 dBFS, no hum" in text
    assert result.path == str(bench)


def test_a_tone_through_the_coupling_is_made_up_for(tmp_path):
    """At its own corner times ten a coupling takes 0.5 %."""
    from scipy.signal import butter, lfilter

    x = lfilter(*butter(1, 8.0, "high", fs=RATE_HZ), sine(80.0, 4.0))
    result = setup(tone=wav(tmp_path / "tone.wav", x), meter_v=1.0, cell=wav(tmp_path / "cell.wav", touched([8.0])))
    assert result.volts.volts_per_full_scale == pytest.approx(np.sqrt(2.0) / 0.4, rel=1e-3)


@pytest.mark.parametrize(
    ("x", "words"),
    [
        (sine(1300.0), "where common meters read wrong"),
        (np.linspace(0.5, 1.0, 2 * RATE_HZ) * sine(), "level of the tone moves"),
        (np.clip(3.0 * sine(), -1.0, 1.0), "clips"),
        (1e-5 * np.random.default_rng(1).standard_normal(RATE_HZ), "no steady tone"),
    ],
)
def test_tones_that_give_no_volts(tmp_path, x, words):
    with pytest.raises(CaptureError, match=words):
        setup(tone=wav(tmp_path / "tone.wav", x), meter_v=2.0)


def test_what_is_given_together():
    for given, words in (
        ({}, "no take"),
        ({"meter_v": 2.0, "cell": "c.wav"}, "without --tone"),
        ({"tone": "x.wav"}, "without --meter"),
    ):
        with pytest.raises(OptionError, match=words):
            setup(**given)


def test_an_unknown_kind_of_meter():
    with pytest.raises(OptionError, match="'nonsense' is no kind of meter; known: true-rms, average"):
        setup(tone="x.wav", meter_v=2.0, meter="nonsense")


def test_a_polarity_that_differs_is_asked_about(tmp_path, capsys):
    bench = tmp_path / "bench.toml"
    before = "[capture]\ninverted = false\n"
    bench.write_text(before)
    wav(tmp_path / "cell.wav", touched([2.0], inverted=True))
    call = ["setup", "--cell", str(tmp_path / "cell.wav"), "--write", str(bench)]
    assert main(call) == 2
    said = capsys.readouterr().err
    assert "the first swing goes down" in said
    assert "holds inverted = false" in said
    assert "--replace" in said
    assert bench.read_text() == before
    assert main([*call, "--replace"]) == 0
    assert load_bench(bench).capture.inverted is True
    # the same again, and a file that says nothing, are no question
    assert main(call) == 0
    bench.write_text("[capture]\nchannel = 1\n")
    assert main(call) == 0
    assert load_bench(bench).capture.inverted is True


def test_a_loud_silence(tmp_path):
    with pytest.raises(CaptureError, match="is not silent"):
        setup(silence=wav(tmp_path / "silence.wav", sine()))


@pytest.mark.parametrize(
    "before",
    [
        "", "[build]\nwave = 'sine'", "[capture]\ninverted = true\n[cv]\nchannel = 2\n", "[cv]\n\n\n[capture]",
        "[capture]\n# all\n\n[build]\n",
    ],
)  # fmt: skip
def test_keys_are_set_and_all_else_stays(before):
    after = with_keys(before, "capture", {"inverted": False, "volts_per_full_scale": 5.0}, {}, "bench.toml")
    old, new = tomllib.loads(before), tomllib.loads(after)
    assert new["capture"] == {**old.get("capture", {}), "inverted": False, "volts_per_full_scale": 5.0}
    assert {key: new[key] for key in old if key != "capture"} == {key: old[key] for key in old if key != "capture"}
    assert [line for line in before.splitlines() if "inverted" not in line and line] == [
        line for line in after.splitlines() if line in before.splitlines() and line
    ]


def test_a_file_written_otherwise_is_left_alone():
    with pytest.raises(BenchError, match="write these into it yourself: inverted = false"):
        with_keys("capture = { inverted = true }\n", "capture", {"inverted": False}, {}, "bench.toml")


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e38])
@pytest.mark.parametrize("count", [1, None], ids=["one", "all"])
@pytest.mark.parametrize("option", ["--cell", "--silence", "--tone"])
def test_a_poisoned_take_measures_nothing(tmp_path, capsys, option, count, value):
    x = np.float32(touched([2.0]))
    x[: count if count is None else len(x) // 2 + count][-(count or len(x)) :] = value
    take, bench = tmp_path / "take.wav", tmp_path / "bench.toml"
    soundfile.write(take, x, RATE_HZ, subtype="FLOAT")
    more = ["--meter", "2"] if option == "--tone" else []
    assert main(["setup", option, str(take), "--write", str(bench), *more]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert f"{count or len(x)} of its numbers are no samples" in err
    assert not bench.exists()


def test_nothing_after_the_contact():
    x = np.zeros(RATE_HZ)
    x[20_000:20_020] = 0.3  # over before the fall is looked at
    assert contact(x, float(RATE_HZ), "take").corner_hz is None


@pytest.mark.parametrize("level", [0.0, 0.25])
def test_a_take_of_nothing_is_no_silence(tmp_path, capsys, level):
    take = wav(tmp_path / "take.wav", np.full(RATE_HZ, level))
    assert main(["setup", "--silence", str(take)]) == 2
    assert "all samples are alike" in capsys.readouterr().err
    assert main(["setup", "--cell", str(take)]) == 2
    assert "no contact is seen" in capsys.readouterr().err
