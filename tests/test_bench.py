"""The bench file: what is wrong is named, with its key; what is right is read."""

from __future__ import annotations

import pickle

import pytest

from listen.bench import GAIN_CONTROLS, TOPOLOGIES, WAVES, Bench, load_bench
from listen.errors import BenchError

WHOLE = """
[build]
name = "north shelf, third sine board"
topology = "wien-bridge"
gain_control = "jfet"
wave = "sine"
supply_v = [-12.0, 12]
[build.parts]
r1_ohm = [10e3, 110e3]
r2_ohm = [110e3, 10e3]
c1_f = 10e-9
c2_f = 10e-9
[capture]
channel = 1
volts_per_full_scale = 5
inverted = true
clock_error_ppm = -12.5
ac_coupling_hz = 2.0
[cv]
channel = 2
volts_per_full_scale = 10.0
offset_v = -0.01
"""


def load(tmp_path, text):
    path = tmp_path / "bench.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_bench(path)


@pytest.mark.parametrize(
    ("text", "what", "mend"),
    [
        ("volts = 1", 'unknown key "volts"', "known: [build], [capture], [recorder], [cv]"),
        ("[captures]\nx = 1", 'unknown table "captures"', 'did you mean "[capture]"?'),
        ("capture = 1", "capture is not a table", "write [capture]"),
        ("[build]\nsupply = [-12, 12]", 'unknown key "supply" in [build]', 'did you mean "supply_v"?'),
        ("[capture]\ngain = 1", 'unknown key "gain" in [capture]', "known: channel, volts_per_full_scale, inverted"),
        ("[cv]\noffset = 1", 'unknown key "offset" in [cv]', 'did you mean "offset_v"?'),
        ("[build.parts]\nr1 = 10e3", 'unknown key "r1" in [build.parts]', "r1_ohm"),
        ('[build]\ntopology = "wein-bridge"', 'topology = "wein-bridge"', 'did you mean "wien-bridge"?'),
        ('[build]\ngain_control = "JFET"', 'gain_control = "JFET"', "one of jfet, diodes, lamp, ldr, none, other"),
        ('[build]\nwave = "saw"', 'wave = "saw"', "one of sine, triangle, sawtooth, square, pulse, any"),
        ("[build]\nwave = 3", "[build] wave = 3", "one of sine"),
        ("[build]\nname = 3", "[build] name = 3", "a text on one line"),
        ('[build]\nname = ""', '[build] name = ""', "a text on one line"),
        ('[build]\nname = "a\\nb"', "[build] name", "a text on one line"),
        ("[build]\nsupply_v = 12", "[build] supply_v = 12", "two numbers"),
        ("[build]\nsupply_v = [12, -12]", "supply_v = [12, -12]", "the lower rail first"),
        ("[build]\nsupply_v = [-12, 0, 12]", "supply_v = [-12, 0, 12]", "two numbers"),
        ('[build]\nsupply_v = [-12, "12"]', "supply_v", "a number from -1000 to 1000 V"),
        ("[build]\nparts = 3", "[build] parts = 3", "a table"),
        ("[build.parts]\nr1_ohm = 0", "[build.parts] r1_ohm = 0", "a number from 0.001 to 1e+09 ohm"),
        ("[build.parts]\nc1_f = 10", "[build.parts] c1_f = 10", "F"),
        ("[build.parts]\nr1_ohm = [1, 2, 3]", "r1_ohm = [1, 2, 3]", "one number, or two"),
        ("[build.parts]\ntolerance_percent = 60", "tolerance_percent = 60", "a number from 0 to 50 %"),
        ("[build.parts]\ntolerance_percent = [1]", "tolerance_percent = [1]", "at the lowest and at the highest note"),
        ("[build.parts]\nmeasured = 1", "[build.parts] measured = 1", "true or false"),
        ("[build.gain]\nrf = 1", 'unknown key "rf" in [build.gain]', "rf_ohm"),
        ("[build.opamp]\ngbw = 1", 'unknown key "gbw" in [build.opamp]', "gain_bandwidth_hz"),
        ("[build.opamp]\nheadroom_v = 1.5", "headroom_v = 1.5", "two numbers, toward the lower"),
        ('[build]\nphase_shift_sections = "rc"', "phase_shift_sections", "one of buffered, ladder"),
        ('[build]\nphase_shift_order = "low"', "phase_shift_order", "one of high-pass, low-pass"),
        ("[capture]\nchannel = 0", "[capture] channel = 0", "channels count from 1"),
        ("[capture]\nchannel = 1.0", "[capture] channel = 1.0", "a whole number"),
        ("[capture]\nchannel = true", "[capture] channel = true", "a whole number"),
        ('[capture]\nchannel = "left"', 'channel = "left"', "a whole number"),
        ("[capture]\nvolts_per_full_scale = 0", "volts_per_full_scale = 0", "above 0"),
        ("[capture]\nvolts_per_full_scale = -5.0", "volts_per_full_scale = -5.0", "above 0"),
        ("[capture]\nvolts_per_full_scale = inf", "volts_per_full_scale = inf", "a number"),
        ("[capture]\nvolts_per_full_scale = nan", "volts_per_full_scale = nan", "a number"),
        ("[capture]\ninverted = 1", "[capture] inverted = 1", "true or false"),
        ('[capture]\ninverted = "yes"', 'inverted = "yes"', "true or false"),
        ("[capture]\nclock_error_ppm = 1e9", "clock_error_ppm", "ppm"),
        ("[capture]\nac_coupling_hz = -1", "ac_coupling_hz = -1", "Hz"),
        ("[cv]\nvolts_per_full_scale = false", "volts_per_full_scale = false", "a number"),
        ("[build\n", "is not valid TOML", "correct that line"),
        ("[cv]\nchannel = 1\nchannel = 2", "is not valid TOML", "correct that line"),
        ("x = " + "[" * 5000, "", ""),
        (b"RIFF\xff\xfe\x00\x00", "is not a text in UTF-8", "TOML"),
        ("# " + "x" * 1_000_001, "is over 1 MB", "TOML"),
    ],
    ids=lambda text: str(text)[:40],
)
def test_what_is_wrong_is_named(tmp_path, text, what, mend):
    with pytest.raises(BenchError) as caught:
        load(tmp_path, text)
    error = caught.value
    assert error.what.startswith(f"{tmp_path / 'bench.toml'}: ")
    assert what in error.what
    assert mend in error.remedy
    assert "\n" not in str(error)
    assert len(str(error)) < 400 + len(str(tmp_path))


CIRCUIT = """
[build]
topology = "phase-shift"
phase_shift_sections = "buffered"
phase_shift_order = "low-pass"
[build.parts]
r1_ohm = 10e3
tolerance_percent = [20, 2]
measured = true
[build.gain]
rf_ohm = 21.2e3
rg_ohm = 10e3
[build.opamp]
gain_bandwidth_hz = 3e6
slew_v_per_us = 13
headroom_v = [1.5, 1.2]
"""


def test_keys_of_the_circuit(tmp_path):
    build = load(tmp_path, CIRCUIT).build
    assert build.parts == {"r1_ohm": (10e3, 10e3)}
    assert (build.tolerance_percent, build.measured) == ((20.0, 2.0), True)
    assert (build.phase_shift_sections, build.phase_shift_order) == ("buffered", "low-pass")
    assert (build.gain.rf_ohm, build.gain.rg_ohm) == (21.2e3, 10e3)
    assert (build.opamp.gain_bandwidth_hz, build.opamp.slew_v_per_us) == (3e6, 13.0)
    assert build.opamp.headroom_v == (1.5, 1.2)
    assert load(tmp_path, "[build.parts]\ntolerance_percent = 1").build.tolerance_percent == (1.0, 1.0)


def test_files_that_cannot_be_read(tmp_path):
    for path, what in ((tmp_path / "none.toml", "no such file"), (tmp_path, "is a folder"), ("a\0b", "cannot be read")):
        with pytest.raises(BenchError, match=what):
            load_bench(path)


def test_every_key(tmp_path):
    bench = load(tmp_path, WHOLE)
    assert bench.path == str(tmp_path / "bench.toml")
    assert bench.build.name == "north shelf, third sine board"
    assert (bench.build.topology, bench.build.gain_control, bench.build.wave) == ("wien-bridge", "jfet", "sine")
    assert bench.build.supply_v == (-12.0, 12.0)
    # The smallest first, however it was written; a fixed part twice.
    assert bench.build.parts == {
        "r1_ohm": (10e3, 110e3),
        "r2_ohm": (10e3, 110e3),
        "c1_f": (10e-9, 10e-9),
        "c2_f": (10e-9, 10e-9),
    }
    capture = bench.capture
    assert (capture.channel, capture.volts_per_full_scale, capture.inverted) == (1, 5.0, True)
    assert (capture.clock_error_ppm, capture.ac_coupling_hz) == (-12.5, 2.0)
    assert (bench.cv.channel, bench.cv.volts_per_full_scale, bench.cv.offset_v) == (2, 10.0, -0.01)


@pytest.mark.parametrize("text", ["", "# nothing yet\n", "[build]\n[capture]\n[cv]\n", b"\xef\xbb\xbf[build]\r\n"])
def test_every_key_is_optional(tmp_path, text):
    bench = load(tmp_path, text)
    assert (bench.build, bench.capture, bench.cv) == (Bench().build, Bench().capture, Bench().cv)


@pytest.mark.parametrize(("key", "words"), [("topology", TOPOLOGIES), ("gain_control", GAIN_CONTROLS), ("wave", WAVES)])
def test_every_word_of_the_lists(tmp_path, key, words):
    for word in words:
        assert getattr(load(tmp_path, f'[build]\n{key} = "{word}"').build, key) == word


def test_a_bench_can_be_sent_to_another_process(tmp_path):
    bench = load(tmp_path, WHOLE)
    assert pickle.loads(pickle.dumps(bench)) == bench
