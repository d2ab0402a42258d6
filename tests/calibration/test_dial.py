"""The printed scale of a dial: each note at its angle, in true size, its names apart."""

from __future__ import annotations

import math
import re
from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from listen.api.calibrating import calibrate
from listen.calibration import TableSettings, calibration_of
from listen.calibration.types import Step
from listen.cli import main
from listen.errors import OptionError
from listen.report.dial import dial_marks, dial_svg
from tests.calibration.takes import Stepped, octaves, write

SVG = "{http://www.w3.org/2000/svg}"


def resistance_hz(place: np.ndarray) -> np.ndarray:
    """A Wien bridge, f = 1 / (2 pi R C): 100 kohm that falls evenly along the dial, 10 kohm in series, 15 nF."""
    return 1.0 / (2.0 * math.pi * 15e-9 * (10e3 + 100e3 * (1.0 - place / 10.0)))


def spread(place):
    """Eight octaves."""
    return 27.5 * 2.0 ** (0.8 * place)


def narrow(place):
    """Half an octave."""
    return 440.0 * 2.0 ** (0.05 * place)


def dial(pitch=resistance_hz, axis="positions"):
    steps = [
        Step(cv_v=float(place), f0_hz=float(pitch(place)), f0_sigma_cents=0.1, start_s=i, end_s=i + 0.9, entry=i)
        for i, place in enumerate(np.arange(0.0, 10.5, 0.5))
    ]
    return calibration_of(steps, TableSettings(axis=axis))


def lines(svg: str) -> dict[str, tuple[float, float, float, float]]:
    return {
        line.get("data-note"): tuple(float(line.get(key)) for key in ("x1", "y1", "x2", "y2"))
        for line in ElementTree.fromstring(svg).iter(f"{SVG}line")
    }


@pytest.mark.parametrize("angle", [270.0, 300.0, 90.0])
def test_each_note_is_at_the_angle_at_which_it_sounds(angle):
    found = lines(dial_svg(dial(), angle_deg=angle, diameter_mm=32.0))
    # equal temperament, A4 = 440 Hz (ISO 16): every note between the ends of the dial
    names = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"]
    low, high = resistance_hz(np.array([0.0, 10.0]))
    wanted = {}
    for number in range(128):
        f0_hz = 440.0 * 2.0 ** ((number - 69) / 12.0)
        if low <= f0_hz <= high:
            place = 10.0 * (1.0 - (1.0 / (2.0 * math.pi * 15e-9 * f0_hz) - 10e3) / 100e3)
            wanted[f"{names[number % 12]}{number // 12 - 1}"] = angle * (place / 10.0 - 0.5)
    assert found.keys() == wanted.keys()
    for note, (x1, y1, x2, y2) in found.items():
        assert math.hypot(x1, y1) == pytest.approx(16.0, abs=0.01)
        assert math.degrees(math.atan2(x1, -y1)) == pytest.approx(wanted[note], abs=0.002 * angle)
        assert math.degrees(math.atan2(x2, -y2)) == pytest.approx(math.degrees(math.atan2(x1, -y1)), abs=0.05)


def test_it_is_printed_in_true_size():
    """SVG 1.1, 7.10: mm as unit of the outermost width and height; the viewBox is as many units wide."""
    root = ElementTree.fromstring(dial_svg(dial(), diameter_mm=60.0))
    width, height = (float(re.fullmatch(r"([\d.]+)mm", root.get(key)).group(1)) for key in ("width", "height"))
    assert [float(word) for word in root.get("viewBox").split()][2:] == [width, height]
    (check,) = (path.get("d") for path in root.iter(f"{SVG}path") if path.get("class") == "check")
    start, end = re.match(r"M (\S+) \S+ H (\S+)", check).groups()
    assert float(end) - float(start) == 50.0


@pytest.mark.parametrize("diameter", [10.0, 25.0, 40.0, 120.0])
@pytest.mark.parametrize("angle", [60.0, 300.0, 350.0])
@pytest.mark.parametrize(
    "pitch", [resistance_hz, lambda p: 27.5 * 2.0 ** (0.8 * p), lambda p: 440.0 * 2.0 ** (0.05 * p)]
)
def test_no_two_names_touch_and_none_leaves_the_sheet(diameter, angle, pitch):
    """Widths are those of DejaVu Sans, a wide type, by matplotlib."""
    root = ElementTree.fromstring(dial_svg(dial(pitch), angle_deg=angle, diameter_mm=diameter))
    left, top, width, height = (float(word) for word in root.get("viewBox").split())
    boxes = {}
    for text in root.iter(f"{SVG}text"):
        size = float(text.get("font-size"))
        path = TextPath((0, 0), text.text, size=size, prop=FontProperties(family="DejaVu Sans"))
        box = path.get_extents()
        x, y = float(text.get("x")) - box.width / 2, float(text.get("y"))
        boxes[text.text] = (x, y - box.y1, x + box.width, y - box.y0)
    assert len(boxes) > 3
    for (a, one), (b, other) in combinations(boxes.items(), 2):
        apart = one[2] < other[0] or other[2] < one[0] or one[3] < other[1] or other[3] < one[1]
        assert apart, (a, b)
    for name, box in boxes.items():
        inside = left <= box[0] and top <= box[1] and box[2] <= left + width and box[3] <= top + height
        assert inside, name


def test_octaves_are_named_where_there_is_room_for_few():
    root = ElementTree.fromstring(dial_svg(dial(spread), diameter_mm=30.0))
    names = {text.text for text in root.iter(f"{SVG}text")}
    assert {f"C{octave}" for octave in range(1, 9)} <= names
    assert not {name for name in names if "#" in name}


def test_what_gives_no_scale_is_refused():
    with pytest.raises(OptionError, match="needs the positions of a dial"):
        dial_marks(dial(axis="volts"))
    with pytest.raises(OptionError, match="no note of equal temperament has one place"):
        dial_marks(dial(lambda p: 450.0 + p))
    for options in ({"angle_deg": 360.0}, {"angle_deg": float("nan")}, {"diameter_mm": 5.0}, {"diameter_mm": 500.0}):
        with pytest.raises(OptionError, match="out of range"):
            dial_svg(dial(), **options)


def test_the_command_writes_it(tmp_path, capsys):
    take = Stepped(volts=tuple(range(6)), hold_s=(0.5,) * 6, pitch=octaves(110.0, 0.4))
    write(take, tmp_path / "take.wav")
    call = ["calibrate", str(tmp_path / "take.wav"), "--quiet"]
    target = tmp_path / "dial.svg"
    dialled = [*call, "--positions", "0:5:1", "--dial", str(target)]
    assert main([*dialled, "--dial-angle", "270", "--dial-diameter", "32,5"]) == 0
    text = target.read_text()
    assert text == dial_svg(
        calibrate(tmp_path / "take.wav", positions="0:5:1").calibration, angle_deg=270.0, diameter_mm=32.5
    )
    # 0.4 octaves a place: A2 at the lowest place, A4 at the highest
    found = lines(text)
    assert found["A2"][:2] == pytest.approx((-16.25 * math.sqrt(0.5), 16.25 * math.sqrt(0.5)), abs=0.05)
    assert found["A3"][:2] == pytest.approx((0.0, -16.25), abs=0.1)
    target.unlink()
    for more, words in (
        (["--cv-steps", "0:5:1", "--dial", str(target)], "--positions 0:10:1"),
        (["--positions", "0:5:1", "--dial", "-"], "--dial needs a file"),
        (["--positions", "0:5:1", "--dial", str(target), "--dial-angle", "400"], "give 30 to 350 degrees"),
        (["--positions", "0:5:1", "--dial", str(target), "--dial-diameter", "wide"], "32.5 or 32,5"),
        (["--positions", "0:5:1", "--dial", str(tmp_path / "take.wav")], "is one of the inputs"),
    ):
        assert main([*call, *more]) == 2
        (line,) = capsys.readouterr().err.splitlines()
        assert words in line
        assert not target.exists()
