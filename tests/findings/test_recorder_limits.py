"""What the recorder's own distortion, hum, coupling and response do to a verdict once they are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import listen
from listen.bench import RecorderSettings
from listen.track import own_harmonics_dbc
from tests.recorders import Interface

RATE_HZ = 48_000
LEVELS = np.array([-40.0, -20.0, -6.0])


def table_of(interface: Interface, **more: str) -> str:
    """The table of an interface by the closed forms, not by its loop."""
    peaks = 10 ** (LEVELS / 20)
    h2 = 20 * np.log10(np.maximum(interface.second * peaks / 2, 1e-8))
    h3 = 20 * np.log10(np.maximum(interface.third * peaks**2 / 4, 1e-8))
    rows = {"level_dbfs": LEVELS.tolist(), "h2_dbc": h2.tolist(), "h3_dbc": h3.tolist(), **more}
    return "[recorder]\n" + "".join(f"{key} = {value}\n" for key, value in rows.items())


def sweep(low_hz: float = 110.0, high_hz: float = 1200.0, level_dbfs: float = -8.0) -> np.ndarray:
    """Rest, turn, rest; a pure sine."""
    time_s = np.arange(9 * RATE_HZ) / RATE_HZ
    f0_hz = low_hz * (high_hz / low_hz) ** np.clip((time_s - 2.0) / 5.0, 0.0, 1.0)
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * np.cumsum(f0_hz) / RATE_HZ)


def check(folder: Path, interface: Interface, x: np.ndarray, table: str, **options) -> listen.CheckResult:
    (folder / "bench.toml").write_text(table)
    return listen.check(interface.take(folder / "take.wav", x, RATE_HZ), **options)


@pytest.mark.parametrize(
    ("interface", "kind", "named"),
    [
        (Interface(second=0.08), "even-order-distortion", "H2"),
        (Interface(third=0.4), "odd-order-distortion", "H3"),
    ],
)
def test_a_poor_recorder_is_not_the_circuit(tmp_path, interface, kind, named):
    blamed = check(tmp_path, interface, sweep(), "")
    assert [f.kind for f in blamed.findings if f.severity != "note"] == [kind]
    known = check(tmp_path, interface, sweep(), table_of(interface))
    assert [f.kind for f in known.findings if f.severity != "note"] == []
    said = [item.why for item in known.not_shown if "recorder" in item.why and "itself" in item.why]
    assert len(said) == 1
    assert said[0].startswith(named)
    order = int(named[1])
    tone = known.frames.oscillating
    assert np.isnan(known.frames.harmonics_dbc[tone, order - 2]).all()
    # the rest of the harmonics is measured all the same
    assert np.isfinite(known.frames.harmonics_dbc[tone, 3]).any()
    worst = known.summary["thd_worst_percent"]
    assert worst is None or worst < 0.3


def test_a_fault_well_over_the_recorders_own_is_still_found(tmp_path):
    """A square law four times as strong as the recorder's."""
    x = sweep()
    board = x + 0.3 * x**2
    found = check(tmp_path, Interface(second=0.07), board, table_of(Interface(second=0.07)))
    assert "even-order-distortion" in [f.kind for f in found.findings]


def test_a_good_recorder_changes_nothing(tmp_path):
    x = sweep()
    board = x + 0.15 * x**2
    interface = Interface(second=1e-3, third=1e-3)
    plain, known = (check(tmp_path, interface, board, text) for text in ("", table_of(interface)))
    assert [(f.kind, f.severity) for f in plain.findings] == [(f.kind, f.severity) for f in known.findings]
    assert known.summary["thd_worst_percent"] == pytest.approx(plain.summary["thd_worst_percent"], rel=1e-3)
    assert not [item for item in known.not_shown if "itself" in item.why]


def test_hum_of_the_recorder(tmp_path):
    interface = Interface(hum_dbfs=-50.0)
    x = sweep(level_dbfs=-14.0)
    assert "mains-hum" in [f.kind for f in check(tmp_path, interface, x, "").findings]
    known = check(tmp_path, interface, x, "[recorder]\nhum_hz = 50.0\nhum_dbfs = -50.0\n")
    assert "mains-hum" not in [f.kind for f in known.findings]
    assert any("hum in this take" in item.why for item in known.not_shown)
    # twice over the recorder's own it is the circuit's
    louder = check(tmp_path, Interface(hum_dbfs=-43.0), x, "[recorder]\nhum_hz = 50.0\nhum_dbfs = -50.0\n")
    assert "mains-hum" in [f.kind for f in louder.findings]


def test_coupling_and_response_are_undone_in_the_levels(tmp_path):
    """A first-order high-pass of 20 Hz takes 10 log10(1 + (fc / f)^2); the response table the rest."""
    x = sweep(35.0, 9000.0, level_dbfs=-12.0)
    interface = Interface(corner_hz=20.0, low_pass_hz=9e3)
    pitches = np.geomspace(5.0, 20e3, 40)
    w = 1j * np.tan(np.pi * pitches / RATE_HZ) / np.tan(np.pi * 9e3 / RATE_HZ)
    low_pass_db = -20 * np.log10(np.abs(1 + w))
    table = f"[recorder]\ncorner_hz = 20.0\nresponse_hz = {pitches.tolist()}\nresponse_db = {low_pass_db.tolist()}\n"
    plain, known = (check(tmp_path, interface, x, text) for text in ("", table))
    rows = known.frames.oscillating & (known.frames.time_s > 0.2) & (known.frames.time_s < 8.8)
    assert np.ptp(plain.frames.level_dbfs[rows]) > 2.9
    assert known.frames.level_dbfs[rows] == pytest.approx(-12.0, abs=0.02)
    assert known.frames.fundamental_dbfs[rows] == pytest.approx(-12.0, abs=0.02)
    assert "level-drift" in [f.kind for f in plain.findings]
    assert "level-drift" not in [f.kind for f in known.findings]


def test_a_stated_coupling_is_undone_in_the_level(tmp_path):
    """Else a known corner would make low notes quieter than an unknown one, which is excused."""
    x = sweep(35.0, 600.0)
    known = check(tmp_path, Interface(corner_hz=20.0), x, "[capture]\nac_coupling_hz = 20.0\n")
    assert known.summary["level_span_db"] < 0.05
    envelope = known.frames.envelope
    steady = envelope.oscillating & (envelope.time_s > 0.3) & (envelope.time_s < 1.8)
    assert 20 * np.log10(envelope.rms_amplitude_fs[steady]) == pytest.approx(-8.0, abs=0.05)


def test_between_the_levels_and_beyond():
    known = RecorderSettings(level_dbfs=(-40.0, -20.0), harmonics_dbc={2: (-90.0, -70.0), 3: (-100.0, -100.0)})
    own = own_harmonics_dbc(known, np.array([-60.0, -30.0, -10.0]))
    assert own[:, 0].tolist() == [-90.0, -80.0, -60.0]
    assert own[:, 1].tolist() == [-100.0, -100.0, -100.0]
    assert np.isnan(own[:, 2:]).all()


@pytest.mark.parametrize("wave", ["triangle", "square"])
def test_other_waves_through_a_poor_recorder(tmp_path, wave):
    """Its second harmonic is not theirs; their odd ones stand far above it."""
    time_s = np.arange(5 * RATE_HZ) / RATE_HZ
    orders = np.arange(1, 90, 2)
    sizes = {"triangle": (-1.0) ** (orders // 2) / orders**2, "square": 1.0 / orders}[wave]
    x = 0.3 * np.sum([a * np.sin(2 * np.pi * k * 220.0 * time_s) for k, a in zip(orders, sizes, strict=True)], axis=0)
    interface = Interface(second=0.06)
    known = check(tmp_path, interface, x, table_of(interface), wave=wave)
    assert "even-order-distortion" not in [f.kind for f in known.findings]
