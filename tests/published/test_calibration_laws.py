"""Law fits and errors of exponential converters against certified data, constants of nature and textbook formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import constants
from scipy.stats import t as t_distribution

from listen.calibration.calibrator import TableSettings, calibration_of
from listen.calibration.fits import fit_line
from listen.calibration.laws import StepRows, fit_law
from listen.calibration.splitting import split_error
from listen.calibration.types import Step
from listen.units import cents_between

# NIST Statistical Reference Datasets, linear regression, "Norris" (interlaboratory calibration of an ozone monitor).
NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5,
    11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1,
    118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9,
    10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
    0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip

# 55 Hz x 2^V with a reset of 2 us in each cycle, f = 1 / (1 / fi + tr), and the straight line through log2 f (common
# textbook formula; digits computed independently).
RESET_HZ = [54.99395, 109.97581, 219.90324, 439.61314, 878.45392, 1753.82653, 3495.39244, 6942.25308, 13694.36664]
RESET_LEFT_CENTS = [-8.835, -4.186, 0.272, 4.350, 7.668, 9.468, 8.246, 1.024, -18.009]


def rows_of(volts: np.ndarray, hz: np.ndarray) -> StepRows:
    n = len(volts)
    return StepRows(volts=volts, cents=cents_between(hz, 1.0), sigma=np.full(n, 0.5), direction=("up",) * n)


def steps_of(volts: np.ndarray, hz: np.ndarray) -> list[Step]:
    return [
        Step(cv_v=float(v), f0_hz=float(f), f0_sigma_cents=0.01, settling_s=0.0, start_s=float(i), end_s=i + 1.0)
        for i, (v, f) in enumerate(zip(volts, hz, strict=True))
    ]


def thermal_v(kelvin: float) -> float:
    return constants.k * kelvin / constants.e


def test_certified_line_fit():
    fit = fit_line(np.array(NORRIS_X), np.array(NORRIS_Y))
    # 1e-9: the certified values have 15 digits, the method loses six of them at most
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.intercept_sigma == pytest.approx(0.23281823430153, rel=1e-9)
    assert fit.slope_sigma == pytest.approx(0.00042979684820, rel=1e-9)


def test_certified_line_fit_through_the_law():
    """The voltage as x, the pitch as 2^y: the law is the certified line."""
    x, y = np.array(NORRIS_X), np.array(NORRIS_Y)
    rows = StepRows(volts=x, cents=1200.0 * y, sigma=np.ones(36), direction=("up",) * 36)
    law = fit_law(rows, "free").law
    assert law.octaves_per_volt == pytest.approx(1.00211681802045, rel=1e-9)
    assert math.log2(law.f0_at_zero_v_hz) == pytest.approx(-0.262323073774029, rel=1e-9)
    # stated so that it holds in 68 of 100 cases: the certified deviation times Student's t at 34 degrees of freedom
    widened = float(t_distribution.ppf(0.8413447, 34))
    assert law.octaves_per_volt_sigma == pytest.approx(0.00042979684820 * widened, rel=1e-7)


def test_worked_table_of_a_slow_reset():
    volts = np.arange(9.0)
    exact_hz = 1.0 / (1.0 / (55.0 * 2.0**volts) + 2e-6)
    assert np.round(exact_hz, 5).tolist() == RESET_HZ
    fit = fit_line(volts, np.log2(exact_hz))
    left = 1200.0 * (np.log2(exact_hz) - fit.intercept - fit.slope * volts)
    assert round(fit.slope, 7) == 0.9959673
    assert round(1.0 / fit.slope, 7) == 1.0040490
    assert round(2.0**fit.intercept, 6) == 55.275311
    assert np.round(left, 3).tolist() == RESET_LEFT_CENTS
    assert round(float(np.sqrt(np.mean(left**2))), 3) == 8.540
    assert round(1200.0 * fit.residual_sd, 3) == 9.683


def test_a_slow_reset_is_advised_on_as_droop_and_not_as_scale():
    made = calibration_of(steps_of(np.arange(9.0), np.array(RESET_HZ)), TableSettings(law="auto"))
    assert made.law is not None
    assert made.law.kind == "volt-per-octave"
    assert made.law.octaves_per_volt == pytest.approx(1.0, abs=1e-3)
    said = " ".join(made.advice)
    assert "Flat at the top" in said
    assert "The scale is right" in said
    assert "etrim" not in said
    # The first-order equivalent of a reset, 1731 cents a kilohertz and millisecond; 3 %: the second order at 13.7 kHz
    assert made.split is not None
    assert -made.split.term("proportional").value / 1.7312 == pytest.approx(2.0, rel=0.03)


@pytest.mark.parametrize(
    ("fi_hz", "cents"),
    [
        (440, (-0.381, -0.762, -1.523, -3.805)),
        (1000, (-0.865, -1.730, -3.459, -8.635)),
        (5000, (-4.323, -8.635, -17.226, -42.749)),
        (10000, (-8.635, -17.226, -34.283, -84.467)),
        (20000, (-17.226, -34.283, -67.900, -165.004)),
    ],
)
def test_reset_times_make_the_textbook_errors(fi_hz, cents):
    """f = 1 / (1 / fi + tr): -1200 log2(1 + fi tr), to the three decimals of the table."""
    for tr_us, wanted in zip((0.5, 1.0, 2.0, 5.0), cents, strict=True):
        assert round(cents_between(1.0 / (1.0 / fi_hz + tr_us * 1e-6), float(fi_hz)), 3) == wanted


@pytest.mark.parametrize("tr_us", [0.5, 1.0, 2.0, 5.0])
def test_the_split_finds_reset_times(tr_us):
    volts = np.arange(0.0, 6.6, 0.5)
    hz = 1.0 / (1.0 / (30.0 * 2.0**volts) + tr_us * 1e-6)
    split = split_error(rows_of(volts, hz))
    term = split.term("proportional")
    assert term.value is not None
    # 2 %: the second order of log(1 + f tr) at 2.7 kHz and 5 us is 0.7 %, part of it taken up by the scale
    assert -term.value / 1.7312 == pytest.approx(tr_us, rel=0.02, abs=0.02)
    assert split.term("scale").value == pytest.approx(1200.0, abs=0.1)


def test_bulk_resistance_in_a_converter():
    """k and e of CODATA: 1 mA through 1 ohm is -67.38 cents where the drive is unaware, -64.90 self-consistent."""
    octave_v = thermal_v(298.15) * math.log(2.0)
    unaware = [-1200.0 * current * 1.0 / octave_v for current in (1e-3, 1e-4, 1e-5)]
    assert [round(value, 2) for value in unaware] == [-67.38, -6.74, -0.67]
    current = 1e-3
    for _ in range(200):
        current = 1e-3 * math.exp(-current * 1.0 / thermal_v(298.15))
    assert round(1200.0 * math.log2(current / 1e-3), 2) == -64.90
    # and the split reads it back: 20 ohm at 10 uA a kilohertz
    volts = np.arange(0.0, 7.0, 0.5)
    amps = 30e-8 * 2.0**volts
    for _ in range(300):
        amps = 30e-8 * 2.0**volts * np.exp(-amps * 20.0 / thermal_v(300.0))
    made = calibration_of(steps_of(volts, amps * 1e8), TableSettings(law="volt-per-octave"))
    assert made.split is not None
    c = made.split.term("proportional").value
    assert -c * thermal_v(300.0) / (1200.0 / math.log(2.0) * 10e-6) == pytest.approx(20.0, rel=0.02)


@pytest.mark.parametrize(
    ("degrees", "millivolts", "octave_mv", "ppm"),
    [(20.0, 25.2617, 17.5101, 3411.2), (25.0, 25.6926, 17.8087, 3354.0), (26.85, 25.8520, 17.9192, 3333.3)],
)
def test_thermal_voltage(degrees, millivolts, octave_mv, ppm):
    """kT/q from the exact CODATA constants; 26.85 C is 300 K."""
    kelvin = degrees + 273.15
    assert round(1e3 * thermal_v(kelvin), 4) == millivolts
    assert round(1e3 * thermal_v(kelvin) * math.log(2.0), 4) == octave_mv
    assert round(1e6 / kelvin, 1) == ppm


@pytest.mark.parametrize(
    ("kelvin_off", "percent", "five_octaves"), [(-10, 3.470, 208.2), (5, -1.649, -98.96), (10, -3.245, -194.7)]
)
def test_an_uncompensated_converter_changes_its_scale(kelvin_off, percent, five_octaves):
    """Trimmed at 25 C: the scale goes as 1 / T, and the reference note stays."""
    volts = np.arange(0.0, 5.5, 0.5)
    scale = 298.15 / (298.15 + kelvin_off)
    law = fit_law(rows_of(volts, 220.0 * 2.0 ** (scale * volts)), "auto").law
    assert law.kind == "volt-per-octave"
    assert round(100.0 * (law.octaves_per_volt - 1.0), 3) == percent
    assert law.f0_at_zero_v_hz == pytest.approx(220.0, rel=1e-9)
    assert 6000.0 * (law.octaves_per_volt - 1.0) == pytest.approx(five_octaves, abs=0.06)  # the table's last digit


@pytest.mark.parametrize(("kelvin_off", "five_octaves"), [(-10, 3.35), (5, -1.59), (10, -3.14)])
def test_a_resistor_of_3300_ppm_compensates_it_nearly(kelvin_off, five_octaves):
    """What is left five octaves from the reference, in cents."""
    volts = np.arange(0.0, 5.5, 0.5)
    scale = 298.15 / (298.15 + kelvin_off) * (1.0 + 3300e-6 * kelvin_off)
    law = fit_law(rows_of(volts, 220.0 * 2.0 ** (scale * volts)), "auto").law
    assert round(6000.0 * (law.octaves_per_volt - 1.0), 2) == five_octaves
