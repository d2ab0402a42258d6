"""Two outputs of one oscillator on two channels: phase and level against what was put in."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

import listen
from listen.circuit import Circuit
from listen.cli import main
from listen.report import check_document, check_page, check_schema

RATE_HZ = 48000


def turned() -> np.ndarray:
    """Phase of a turn over two octaves with rests."""
    place = np.clip((np.arange(4 * RATE_HZ) / RATE_HZ - 0.7) / 2.6, 0.0, 1.0)
    return 2 * np.pi * np.cumsum(200.0 * 4.0**place) / RATE_HZ


def read(path: Path, first: np.ndarray, second: np.ndarray, **options: str) -> Circuit:
    noise = 1e-5 * np.random.default_rng(1).standard_normal((len(first), 2))
    soundfile.write(path / "pair.wav", np.stack([first, second], axis=1) + noise, RATE_HZ, subtype="PCM_24")
    result = listen.check(path / "pair.wav", **options)
    jsonschema.validate(check_document(result), check_schema())
    assert result.circuit is not None
    read.page = check_page(result)  # type: ignore[attr-defined]
    return result.circuit


def test_the_second_output_has_its_columns_in_the_csv(tmp_path: Path) -> None:
    phase = turned()
    noise = 1e-5 * np.random.default_rng(1).standard_normal((len(phase), 2))
    both = np.stack([0.3 * np.cos(phase), 0.15 * np.cos(phase - 1.0)], axis=1) + noise
    soundfile.write(tmp_path / "pair.wav", both, RATE_HZ, subtype="PCM_24")
    assert main(["check", str(tmp_path / "pair.wav"), "--quiet", "--frames", str(tmp_path / "rows.csv")]) in (0, 1)
    head, *rows = (line.split(",") for line in (tmp_path / "rows.csv").read_text("ascii").splitlines())
    assert head[-2:] == ["second_phase_deg", "second_level_db"]
    read_rows = np.array([row[-2:] for row in rows if row[-1]], dtype=float)
    assert len(read_rows) > 20
    assert np.median(read_rows[:, 0]) == pytest.approx(-np.degrees(1.0), abs=0.05)
    assert np.median(read_rows[:, 1]) == pytest.approx(20 * np.log10(0.5), abs=0.005)
    soundfile.write(tmp_path / "one.wav", both[:, 0], RATE_HZ, subtype="PCM_24")
    main(["check", str(tmp_path / "one.wav"), "--quiet", "--frames", str(tmp_path / "one.csv")])
    assert "second_phase_deg" not in (tmp_path / "one.csv").read_text("ascii")


@pytest.mark.parametrize("degrees", [90.0, -90.0, 87.3])
def test_a_quadrature_pair_is_read_with_its_sign(tmp_path: Path, degrees: float) -> None:
    """The second output of two integrators is the integral of the first: 90 degrees behind (any handbook)."""
    phase = turned()
    pair = read(tmp_path, 0.3 * np.cos(phase), 0.25 * np.cos(phase + np.radians(degrees))).channel_pair
    assert pair is not None
    assert pair.channel == 2
    assert pair.phase_deg.value == pytest.approx(degrees, abs=0.05)
    assert pair.level_db.value == pytest.approx(20 * np.log10(0.25 / 0.3), abs=0.005)
    assert pair.phase_spread_deg < 0.1
    side = "ahead" if degrees > 0 else "behind"
    assert f"channel 2 {abs(degrees):.1f} degrees {side}" in " ".join(read.page.split())  # type: ignore[attr-defined]


def test_what_changes_along_the_dial_is_told(tmp_path: Path) -> None:
    """A second stage with a pole at 5 kHz lags by atan(f / 5 kHz) and falls with it."""
    phase = turned()
    f0_hz = np.gradient(phase) * RATE_HZ / (2 * np.pi)
    second = 0.3 * np.cos(phase - np.arctan(f0_hz / 5000.0)) / np.hypot(1.0, f0_hz / 5000.0)
    pair = read(tmp_path, 0.3 * np.cos(phase), second).channel_pair
    assert pair is not None
    for point in pair.along[::20]:
        assert point.phase_deg == pytest.approx(-np.degrees(np.arctan(point.f0_hz / 5000.0)), abs=0.1)
        assert point.level_db == pytest.approx(-20 * np.log10(np.hypot(1.0, point.f0_hz / 5000.0)), abs=0.01)


def test_a_triangle_with_its_square(tmp_path: Path) -> None:
    """A square that is high while the triangle rises leads it by 90 degrees: 4 / pi to 8 / pi^2 (any handbook)."""
    phase = turned()
    k = np.arange(1, 30, 2)
    triangle = sum(0.3 * 8 / (np.pi * n) ** 2 * np.cos(n * phase) for n in k)
    square = -sum(0.3 * 4 / (np.pi * n) * np.sin(n * phase) for n in k)
    pair = read(tmp_path, triangle, square, wave="triangle").channel_pair
    assert pair is not None
    assert pair.phase_deg.value == pytest.approx(90.0, abs=0.1)
    assert pair.level_db.value == pytest.approx(20 * np.log10(np.pi / 2), abs=0.01)


def test_another_oscillator_a_copy_and_crosstalk_are_no_pair(tmp_path: Path) -> None:
    phase = turned()
    first = 0.3 * np.cos(phase)
    for second in (0.3 * np.cos(1.01 * phase), np.zeros(len(phase)), 0.003 * np.cos(phase)):
        assert read(tmp_path, first, second).channel_pair is None
    soundfile.write(tmp_path / "twice.wav", np.stack([first, first], axis=1), RATE_HZ, subtype="PCM_24")
    circuit = listen.check(tmp_path / "twice.wav").circuit
    assert circuit is not None
    assert circuit.channel_pair is None
