"""Voltages as typed: what is read, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from listen.calibration.voltage_input import parse_positions, parse_steps, parse_values, read_steps_file, with_nominal
from listen.errors import OptionError


def test_typed_values():
    assert parse_values("0.98, 2.01,2.97").values == (0.98, 2.01, 2.97)
    assert parse_values("-1,0,1e-1,").values == (-1.0, 0.0, 0.1)


def test_decimal_commas_between_semicolons():
    assert parse_values("0,98;2,01").values == (0.98, 2.01)


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("0:3:1", (0.0, 1.0, 2.0, 3.0)),
        ("0:3:1:down", (3.0, 2.0, 1.0, 0.0)),
        ("0:2:1:updown", (0.0, 1.0, 2.0, 1.0, 0.0)),
        ("0:1:0.3", (0.0, 0.3, 0.6, 0.9)),
        ("0:0.9999:0.25", (0.0, 0.25, 0.5, 0.75, 1.0)),  # STOP within 1 % of a step
        ("-1:1:1", (-1.0, 0.0, 1.0)),
    ],
)
def test_staircases(text, values):
    assert parse_steps(text).values == values


@given(
    st.integers(-5, 5),
    st.integers(1, 40),
    st.sampled_from([0.1, 0.25, 0.5, 1.0]),
    st.sampled_from(["up", "down", "updown"]),
)
def test_staircases_hold_both_ends(start, count, step, way):
    values = parse_steps(f"{start}:{start + count * step}:{step}:{way}").values
    assert min(values) == start
    assert max(values) == pytest.approx(start + count * step)
    assert len(values) == (2 * count + 1 if way == "updown" else count + 1)


def test_positions_have_no_volts():
    assert parse_positions("0:10:5").axis == "positions"
    assert parse_positions("1,5,10").values == (1.0, 5.0, 10.0)


def test_files(tmp_path):
    path = tmp_path / "steps.csv"
    path.write_text("start_s,end_s,cv_v\n0,1,0.5\n1,2.5,1.5\n")
    read = read_steps_file(path)
    assert read.values == (0.5, 1.5)
    assert read.times_s == ((0.0, 1.0), (1.0, 2.5))
    path.write_text("\ufeffcv_v;nominal_v\n0,98;1\n2,01;2\n", encoding="utf-8")
    read = read_steps_file(path)
    assert (read.values, read.nominal_v, read.times_s) == ((0.98, 2.01), (1.0, 2.0), None)


def test_measured_and_meant_are_equally_many():
    assert with_nominal(parse_values("0.98,2.01"), parse_steps("1:2:1")).nominal_v == (1.0, 2.0)
    with pytest.raises(OptionError, match=r"2 values.*3 steps"):
        with_nominal(parse_values("0.98,2.01"), parse_steps("1:3:1"))
