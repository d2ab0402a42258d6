"""Pitch against the bounds of estimation theory, the standard sine fit, and sweeps with a known law.

Sources: D. C. Rife and R. R. Boorstyn, IEEE Trans. Information Theory 20, 1974, and S. M. Kay, Fundamentals of
Statistical Signal Processing, 1993, for the Cramer-Rao bound of a tone (formulas from memory, checked by trials); IEEE
Std 1057 and 1241 for the three- and four-parameter sine fit (abstracts).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from listen.track import track
from tests.tones import RATE_HZ, Take, cents, exponential, frames_of, middle, steady, sum_of, times

HANN_COST = 1.531
"""Standard deviation of a pitch from a frame with raised-cosine weight over the rectangular frame's bound: derived."""


def bound_hz(snr_db: float, samples: float) -> float:
    """Least standard deviation of a real tone's frequency: eta = A^2 / (2 sigma^2), N samples, a rectangular frame."""
    eta = 10 ** (snr_db / 10)
    return RATE_HZ / (2 * np.pi) * np.sqrt(12 / (eta * samples * (samples**2 - 1)))


@pytest.mark.parametrize(
    ("f0_hz", "frame_s", "snr_db", "want_cents"),
    [(55.0, 0.1, 20, 0.250), (440.0, 0.02, 40, 0.0350), (440.0, 0.1, 60, 0.000313), (3520.0, 0.02, 80, 0.0000438)],
)
def test_the_bound_in_figures(f0_hz: float, frame_s: float, snr_db: float, want_cents: float) -> None:
    """A table of the bound in cents, computed apart from the formula here."""
    got = 1200 / np.log(2) * bound_hz(snr_db, frame_s * RATE_HZ) / f0_hz
    assert got == pytest.approx(want_cents, rel=3e-3)


@pytest.mark.parametrize(
    ("f0_hz", "snr_db"),
    [
        (55.0, 40.0),
        (220.7, 60.0),
        (441.3, 40.0),
        (1234.5, 40.0),
        (3520.0, 60.0),
    ],
)
def test_pitch_reaches_the_bound(f0_hz: float, snr_db: float) -> None:
    """Spread over the bound, and the mean, of frames that do not overlap."""
    error, bound, _ = frames_apart(f0_hz, snr_db)
    # below 0.95 the samples used would be more than the frame says; above 1.1 times the window's cost is a loss
    assert 0.95 <= np.std(error) / bound <= 1.1 * HANN_COST
    assert abs(np.mean(error)) < 3 * np.std(error) / np.sqrt(len(error))


@pytest.mark.parametrize(("f0_hz", "snr_db"), [(55.0, 40.0), (220.7, 60.0), (441.3, 40.0), (1234.5, 40.0)])
def test_pitch_says_how_sure_it_is(f0_hz: float, snr_db: float) -> None:
    """``f0_sigma_cents`` against the spread: within 25 %."""
    error, _, told = frames_apart(f0_hz, snr_db)
    assert told == pytest.approx(np.std(error), rel=0.25)


@lru_cache
def frames_apart(f0_hz: float, snr_db: float) -> tuple[np.ndarray, float, float]:
    """Errors of 400 frames that do not overlap, the bound, and the median sigma that goes with them, all in Hz."""
    seconds = 400 * 0.06 if f0_hz > 100 else 400 * 0.08
    noise = 10 ** (-snr_db / 20) / np.sqrt(2) * np.random.default_rng(11).standard_normal(round(seconds * RATE_HZ))
    frames = frames_of(np.cos(2 * np.pi * steady(f0_hz, seconds)) + noise)
    apart = np.flatnonzero(middle(frames))[:: 3 if f0_hz > 100 else 4]
    assert len(apart) > 380
    told = np.median(frames.f0_sigma_cents[apart]) / 1200 * np.log(2) * f0_hz
    bound = bound_hz(snr_db, np.median(frames.frame_s[apart]) * RATE_HZ)
    return frames.f0_hz[apart] - f0_hz, float(bound), float(told)


@pytest.mark.parametrize("snr_db", [40.0, 60.0])
def test_amplitude_reaches_the_bound(snr_db: float) -> None:
    """std A = sigma sqrt(2 / N), times 1.225 for a raised-cosine weight."""
    seconds = 500 * 0.06
    sigma = 10 ** (-snr_db / 20) / np.sqrt(2)
    noise = sigma * np.random.default_rng(12).standard_normal(round(seconds * RATE_HZ))
    frames = frames_of(np.cos(2 * np.pi * steady(441.3, seconds)) + noise)
    apart = np.flatnonzero(middle(frames))[::3]
    amplitude = 10 ** (frames.fundamental_dbfs[apart] / 20)
    bound = sigma * np.sqrt(2 / (np.median(frames.frame_s[apart]) * RATE_HZ))
    assert 0.95 <= np.std(amplitude) / bound <= 1.1 * 1.225
    assert abs(np.mean(amplitude) - 1) < 3 * np.std(amplitude) / np.sqrt(len(apart))


@pytest.mark.parametrize(("wave", "gain_db"), [("square", 6.99), ("sawtooth", 10.00)])
def test_harmonics_help_by_what_the_bound_says(wave: str, gain_db: float) -> None:
    """With harmonics eta becomes the sum of k^2 eta_k: +6.99 dB for a square to H9, +10 dB for a sawtooth to H10."""
    lines = [1 / k if wave == "sawtooth" or k % 2 else 0.0 for k in range(1, 11)]
    seconds = 300 * 0.06
    noise = 0.01 / np.sqrt(2) * np.random.default_rng(13).standard_normal(round(seconds * RATE_HZ))
    frames = frames_of(sum_of(steady(331.7, seconds), lines, 331.7) + noise)
    apart = np.flatnonzero(middle(frames))[::3]
    bound = bound_hz(40.0 + gain_db, np.median(frames.frame_s[apart]) * RATE_HZ)
    assert 0.95 <= np.std(frames.f0_hz[apart] - 331.7) / bound <= 1.1 * HANN_COST


def sine_fit(x: np.ndarray, rate_hz: float, f0_hz: float, harmonics: int = 1) -> tuple[float, float]:
    """Least squares on cos kwn, sin kwn, 1 and the frequency (the standards' four-parameter fit): Hz, amplitude."""
    n = np.arange(len(x)) - 0.5 * (len(x) - 1)
    k = np.arange(1, harmonics + 1)
    omega = 2 * np.pi * f0_hz / rate_hz
    for _ in range(4):
        cosine, sine = np.cos(np.outer(n, k * omega)), np.sin(np.outer(n, k * omega))
        base = np.hstack([cosine, sine, np.ones((len(n), 1))])
        fit = np.linalg.lstsq(base, x, rcond=None)[0]
        slope = n * ((-fit[:harmonics] * sine + fit[harmonics:-1] * cosine) @ k)
        omega += np.linalg.lstsq(np.column_stack([base, slope]), x, rcond=None)[0][-1]
    return omega * rate_hz / (2 * np.pi), float(np.hypot(fit[0], fit[harmonics]))


@pytest.mark.parametrize("harmonics", [1, 10])
def test_the_standard_sine_fit_reads_the_same(harmonics: int) -> None:
    """The same frames through the tracker and the fit (extended by the harmonics' columns): medians agree."""
    f0_hz, sigma = 441.3, 0.001
    lines = [0.5 / k for k in range(1, harmonics + 1)]
    x = sum_of(steady(f0_hz, 2.0), lines, f0_hz)
    x += sigma * np.random.default_rng(14).standard_normal(len(x))
    frames = frames_of(x)
    rows = np.flatnonzero(middle(frames))[::4]
    fits = []
    for i in rows:
        a = round((frames.time_s[i] - frames.frame_s[i] / 2) * RATE_HZ)
        fits.append(sine_fit(x[a : a + round(frames.frame_s[i] * RATE_HZ)], RATE_HZ, f0_hz, harmonics))
    pitch, amplitude = np.median(np.array(fits), axis=0)
    # Both are unbiased; medians of 20 frames scatter by about a quarter of one frame's sigma.
    one = float(np.median(frames.f0_sigma_cents[rows]))
    assert abs(cents(np.median(frames.f0_hz[rows]), pitch)) < 0.3 * one
    assert 10 ** (np.median(frames.fundamental_dbfs[rows]) / 20) == pytest.approx(amplitude, abs=0.3 * sigma / 30)


def test_a_clean_sine_is_read_to_the_last_digits() -> None:
    for f0_hz in (40.1, 441.3, 5000.7):
        frames = frames_of(0.5 * np.cos(2 * np.pi * steady(f0_hz, 1.0)))
        # gridding errs by 1e-7 of the tone, a knot by less: 1e-4 cents is a hundred times what is measured
        np.testing.assert_allclose(cents(frames.f0_hz[middle(frames)], f0_hz), 0.0, atol=1e-4)


@pytest.mark.parametrize(("low_hz", "high_hz"), [(20.0, 20_000.0), (20_000.0, 20.0), (100.0, 1600.0)])
def test_an_exponential_sweep_follows_its_law(low_hz: float, high_hz: float) -> None:
    """f(t) = f1 (f2 / f1)^(t / T): 20 Hz to 20 kHz passes 632.4555 Hz half-way, their geometric mean."""
    seconds = 8.0
    frames = frames_of(0.5 * np.cos(2 * np.pi * exponential(low_hz, high_hz, seconds)))
    want = low_hz * (high_hz / low_hz) ** (frames.time_s / seconds)
    rows = middle(frames, 0.3) & (want > 40.0)
    assert rows.sum() > 0.85 * len(frames)
    error = np.abs(cents(frames.f0_hz[rows], want[rows]))
    assert np.percentile(error, 95) < 0.02
    if {low_hz, high_hz} == {20.0, 20_000.0}:
        half_way = np.flatnonzero(np.isclose(frames.time_s, 4.0))[0]
        assert frames.f0_hz[half_way] == pytest.approx(632.4555, rel=0.02 / 1731)


def test_scipys_chirp_is_followed() -> None:
    """scipy.signal.chirp(method="logarithmic"), an independent maker of the same law."""
    from scipy.signal import chirp

    t = times(6.0)
    frames = frames_of(0.5 * chirp(t, 80.0, 6.0, 5000.0, method="logarithmic"))
    rows = middle(frames, 0.3)
    want = 80.0 * (5000.0 / 80.0) ** (frames.time_s / 6.0)
    assert np.percentile(np.abs(cents(frames.f0_hz[rows], want[rows])), 95) < 0.02


@pytest.mark.parametrize(
    ("rate_hz", "f0_hz"), [(44_100.0, 139.95), (44_100.0, 150.75), (48_000.0, 134.75), (48_000.0, 146.5)]
)
def test_no_row_is_lost_where_two_spectra_of_the_rough_pitch_meet(rate_hz: float, f0_hz: float) -> None:
    """A clean steady tone has a pitch in every row, whatever bin of the rough spectra it falls on."""
    x = 0.5 * np.cos(2 * np.pi * steady(f0_hz, 3.0, rate_hz)) + 1e-4 * np.random.default_rng(0).standard_normal(
        round(3 * rate_hz)
    )
    frames = track(Take(samples=x, true_rate_hz=rate_hz))
    assert frames.oscillating[2:-2].all()
