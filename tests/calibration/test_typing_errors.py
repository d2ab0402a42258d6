"""A hand that types: every wrong voltage is named or the table refused, and no good table is doubted.

``python -m tests.calibration.typing_errors 0 200`` does it on recordings by the hundred; here are a few of them, and
more at the table alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.calibration import TableSettings, TakeFacts, calibration_of
from listen.calibration.law_evidence import MeasuredSteps, law_evidence, typed_sigma_v, ways_of
from listen.calibration.matching import match
from listen.calibration.outliers import judge_voltages
from listen.calibration.pairing import sigmas
from listen.calibration.plateaus import Plateau
from listen.calibration.types import Calibration, Step
from listen.calibration.voltage_input import parse_positions, parse_values
from listen.cli import main
from listen.errors import CaptureError
from tests.calibration.takes import Stepped, octaves, write
from tests.calibration.typed_tables import spoiled, table
from tests.calibration.typing_errors import called, named

TYPED = "0.00,0.98,2.01,2.97,3.99,5.02"
HELD = (0.0, 0.98, 2.01, 2.97, 3.99, 5.02)


def readings(volts: list[float], hz: np.ndarray) -> MeasuredSteps:
    cents = 1200.0 * np.log2(hz)
    n = len(volts)
    return MeasuredSteps(
        volts=np.array(volts),
        cents=cents,
        sigma_v=typed_sigma_v(np.full(n, 0.01)),
        sigma_cents=np.full(n, 0.5),
        way=ways_of(cents),
        take=np.zeros(n, dtype=int),
    )


def tabled(text: str, hz: np.ndarray, **options) -> Calibration:
    """The calibration of a table whose plateaus are known."""
    given = parse_values(text)
    plateaus = [Plateau(start_s=1.0 * i, end_s=i + 0.99, level=1200.0 * np.log2(f)) for i, f in enumerate(hz)]
    matched = match([plateaus], [], given, "take")
    steps = [
        Step(
            cv_v=v,
            f0_hz=None if p is None else 2.0 ** (p.level / 1200.0),
            f0_sigma_cents=0.02,
            settling_s=0.0,
            missing=p is None,
            start_s=None if p is None else p.start_s,
            end_s=None if p is None else p.end_s,
            entry=i,
            sigma_v=float(s),
        )
        for i, (v, p, s) in enumerate(zip(given.values, matched.plateaus, sigmas(given), strict=True))
    ]
    return calibration_of(steps, TableSettings(**options), TakeFacts(left_out=matched.left_out, notes=matched.notes))


@pytest.mark.parametrize("seed", range(0, 10))
def test_recordings_with_an_error_are_told_from_good_ones(tmp_path, seed):
    good, bad = table(seed), spoiled(seed)
    assert called(good, tmp_path, seed).status == 0
    assert named(bad, called(bad, tmp_path, seed)) in ("named", "refused")


def test_a_voltage_left_out_at_the_narrow_end_is_named(tmp_path):
    """The last steps of a curve that flattens are close: a view that joins two of them is not preferred."""
    made = spoiled(73158)
    assert (made.error, made.wrong) == ("left out", (7,))
    assert named(made, called(made, tmp_path, 73158)) == "named"


@pytest.mark.parametrize("seed", range(100, 160))
def test_no_good_table_is_doubted(seed):
    made = table(seed)
    assert tabled(made.text, np.array(made.hz)).whole


@pytest.mark.parametrize("seed", range(100, 160))
def test_every_wrong_voltage_is_named(seed):
    made = spoiled(seed)
    try:
        result = tabled(made.text, np.array(made.hz))
    except CaptureError:
        return
    assert not result.whole
    if made.error not in ("left out", "doubled"):
        assert {i for i, step in enumerate(result.steps) if step.doubtful} >= set(made.wrong)


@pytest.mark.parametrize(
    ("typed", "row", "fits_v"),
    [
        ("0.00,0.98,2.01,2.97,3.89,5.02", 4, 3.99),
        ("0.00,0.98,2.01,29.7,3.99,5.02", 3, 2.97),
        ("0.00,0.98,2.06,2.97,3.99,5.02", 2, 2.01),
    ],
)
def test_a_wrong_voltage_is_said_with_the_one_that_fits(typed, row, fits_v):
    made = tabled(typed, 55.0 * 2.0 ** np.array(HELD))
    step = made.steps[row]
    assert step.doubtful
    assert step.fits_v == pytest.approx(fits_v, abs=0.01)
    assert made.doubts[0].startswith(f"Step {row + 1} (")
    assert f"that of {fits_v:.2f} V" in made.doubts[0]
    # the law is that of the others, and the error of the wrong one is stated against it
    assert made.law.kind == "volt-per-octave"
    assert made.law.octaves_per_volt == pytest.approx(1.0, abs=1e-9)
    assert made.law.rms_error_cents < 0.01
    assert step.error_cents == pytest.approx(1200.0 * (fits_v - step.cv_v), abs=0.01)


def test_two_exchanged_neighbours_are_said_as_such():
    made = tabled("0.00,0.98,2.97,2.01,3.99,5.02", 55.0 * 2.0 ** np.array(HELD))
    assert [step.doubtful for step in made.steps] == [False, False, True, True, False, False]
    assert [step.fits_v for step in made.steps[2:4]] == [2.01, 2.97]
    assert "Steps 3 and 4" in made.doubts[0]
    assert {step.direction for step in made.steps} == {"up"}


def test_a_list_without_its_decimal_points_is_none_of_the_law():
    made = tabled("0,98,201,297,399,502", 55.0 * 2.0 ** np.array(HELD))
    assert not made.whole
    assert "99 % off" in made.doubts[0]
    assert "not the voltages" in made.doubts[0]
    assert not any("etrim" in line for line in made.advice)


def test_one_list_for_two_takes_is_wrong_in_both():
    volts = [0.0, 0.98, 2.01, 2.97, 3.89, 5.02]
    hz = 55.0 * 2.0 ** np.array(HELD)
    both = readings(volts * 2, np.concatenate([hz, 1.001 * hz]))
    both = replace(both, take=np.repeat([0, 1], 6))
    found = judge_voltages(both, np.tile(np.arange(6), 2)).outliers
    assert {one.row for one in found} == {4, 10}
    # and an event in one of two takes is one of that take
    volts[4] = 3.99
    once = replace(both, volts=np.array([*volts, *volts[:4], 3.89, volts[5]]))
    assert {one.row for one in judge_voltages(once, np.tile(np.arange(6), 2)).outliers} == {10}


@pytest.mark.parametrize("count", [2, 3])
def test_two_or_three_steps_cannot_be_doubted(count):
    assert tabled(",".join(TYPED.split(",")[:count]), 55.0 * 2.0 ** np.array([0.0, 1.2, 2.0])[:count]).doubts == ()


def test_a_dial_may_bend_as_it_likes():
    """A potentiometer with a taper of two straight tracks, in series with a fixed resistor (common practice)."""
    place = np.arange(11.0)
    track = np.where(place < 5, 0.03 * place, 0.15 + 0.17 * (place - 5))
    hz = 1.0 / (2.0 * np.pi * 10e-9 * (10e3 + 100e3 * (1.0 - track)))
    given = parse_positions("0:10:1")
    plateaus = [Plateau(start_s=1.0 * i, end_s=i + 0.99, level=1200.0 * np.log2(f)) for i, f in enumerate(hz)]
    assert match([plateaus], [], given, "take").plateaus == tuple(plateaus)


def test_long_tables_are_judged_in_parts():
    volts = np.round(np.arange(80) / 16.0, 2)
    hz = 55.0 * 2.0**volts
    assert judge_voltages(readings(volts.tolist(), hz)).outliers == ()
    volts[41] += 0.3
    (found,) = judge_voltages(readings(volts.tolist(), hz)).outliers
    assert found.row == 41
    assert found.fits_v == pytest.approx(volts[41] - 0.3, abs=0.01)


def test_leave_one_out_is_that_of_a_fit_without_the_row():
    """Rasmussen and Williams 2006, eq. 5.12, against scikit-learn's own Gaussian process without the row."""
    gaussian_process = pytest.importorskip("sklearn.gaussian_process")
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel

    from listen.calibration.law_evidence import LawEvidence

    rng = np.random.default_rng(3)
    x = np.linspace(0, 1, 7)[:, None]
    y = np.sin(3 * x[:, 0]) + 0.05 * rng.standard_normal(7)
    kernel = ConstantKernel(2.0, "fixed") * RBF(0.5, "fixed")
    covariance = kernel(x) + 0.05**2 * np.eye(7)
    whole = LawEvidence(
        volts=y,
        span_v=1.0,
        precision=np.linalg.inv(covariance)[None],
        log_weight=np.array(
            [-0.5 * (y @ np.linalg.solve(covariance, y) + np.linalg.slogdet(2 * np.pi * covariance)[1])]
        ),
        noise=np.ones(1),
    )
    model = gaussian_process.GaussianProcessRegressor(kernel, alpha=0.05**2, optimizer=None)
    for rows in ([2], [0, 6]):
        others = [i for i in range(7) if i not in rows]
        model.fit(x[others], y[others])
        mean, sigma = model.predict(x[rows], return_std=True)
        found = whole.predicted(rows)
        assert found.mean_v == pytest.approx(mean, abs=1e-9)
        assert found.sigma_v**2 == pytest.approx(sigma**2 + 0.05**2, rel=1e-6)
        assert whole.log_without(rows) == pytest.approx(model.log_marginal_likelihood_value_, rel=1e-9)
    assert whole.log_without_each()[2] == pytest.approx(whole.log_without([2]), rel=1e-9)
    model.fit(x, y)
    assert whole.log_total() == pytest.approx(model.log_marginal_likelihood_value_, rel=1e-9)


def test_a_pitch_that_does_not_move_has_no_law():
    assert law_evidence(readings([0.0, 1.0, 2.0, 3.0], np.full(4, 110.0))) is None


def test_the_command_says_it(tmp_path, capsys):
    write(Stepped(volts=HELD, hold_s=(0.5,) * 6, pitch=octaves(55.0)), tmp_path / "take.wav")
    call = ["calibrate", str(tmp_path / "take.wav"), "--cv-values"]
    assert main([*call, TYPED]) == 0
    assert "The table is whole: 6 steps" in capsys.readouterr().out
    assert main([*call, TYPED.replace("3.99", "3.89")]) == 1
    page = " ".join(capsys.readouterr().out.replace("│", " ").split())
    assert "step 5 does not fit the others" in page
    assert "that of 3.99 V" in page
    assert main([*call, TYPED.replace("2.01,", "")]) == 1
    assert "1 plateau has no voltage" in " ".join(capsys.readouterr().out.replace("│", " ").split())
