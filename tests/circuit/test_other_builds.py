"""One recording, other builds in the bench file: causes in another order, and what a figure needs is asked for."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from listen import cli
from tests.circuit.bridges import Bridge, record


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Diodes, and gangs that part by 4.5 % toward the top."""
    made = tmp_path_factory.mktemp("one-recording")
    bridge = Bridge(
        f0_hz=(180.0, 1440.0), gain=3.075, gangs_percent=(0.0, 4.5), seconds=2.5, diode_share=0.09, pole_hz=1.2e6
    )
    record(bridge, made / "take.wav")
    return made


def told(folder: Path, gain_control: str | None, topology: str | None) -> dict[str, Any]:
    """The document of `listen check` with what a bench file states."""
    bench = folder / "bench.toml"
    stated = {"gain_control": gain_control, "topology": topology}
    lines = [f'{key} = "{value}"' for key, value in stated.items() if value]
    bench.write_text("\n".join(["[build]", *lines, "[capture]", "ac_coupling_hz = 2.0", "volts_per_full_scale = 20.0"]))
    out = folder / "out.json"
    assert cli.main(["check", str(folder / "take.wav"), "--bench", str(bench), "--json", str(out), "--quiet"]) == 1
    document: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
    return document


def causes(document: dict[str, Any], kind: str) -> dict[str, str]:
    """Causes of the level's drift and their standing, likeliest first."""
    (found,) = (c for c in document["circuit"]["causes"] if c["finding"] == kind)
    return {c["id"]: c["standing"] for c in found["ranked"]}


def test_each_gain_element_has_its_own_order(folder: Path) -> None:
    by = {
        control: causes(told(folder, control, "wien-bridge"), "level-drift")
        for control in ("diodes", "jfet", "lamp", "ldr")
    }
    assert by["diodes"]["gang-mismatch"] == "shown"
    assert by["diodes"]["detector-droop"] == "excluded"
    for control in ("jfet", "ldr"):
        assert list(by[control])[:2] == ["gang-mismatch", "detector-droop"]
        assert by[control]["gang-mismatch"] == "likely"
    assert list(by["lamp"])[:2] == ["gang-mismatch", "control-range"]


def test_each_topology_has_its_own_order(folder: Path) -> None:
    """Unequal integrators change no gain; a core's level is its comparator's, and a shaper bends both halves."""
    by = {name: told(folder, "jfet", name) for name in ("wien-bridge", "quadrature", "triangle-core")}
    drift = {name: list(causes(document, "level-drift")) for name, document in by.items()}
    assert drift["wien-bridge"][0] == "gang-mismatch"
    assert drift["quadrature"][0] == "detector-droop"
    assert drift["triangle-core"][0] in ("interface", "coupling", "triangle-level")
    against = next(c for c in by["quadrature"]["circuit"]["causes"][0]["ranked"] if c["id"] == "gang-mismatch")[
        "against"
    ]
    assert [item["key"] for item in against] == ["topology"]
    bent = {name: list(causes(document, "odd-order-distortion")) for name, document in by.items()}
    assert bent["wien-bridge"][0] == "gain-high"
    assert bent["triangle-core"][0] == "shaper-drive"


def test_without_a_topology_it_is_asked_for_and_what_needs_none_is_told(folder: Path) -> None:
    circuit = told(folder, "diodes", None)["circuit"]
    for quantity in (circuit["loop_gain_in_hand"], circuit["gang_mismatch"]["spread_percent"]):
        assert quantity["value"] is None
        assert quantity["why"] == "state the topology"
    assert circuit["amplifier_curve"] is None
    assert circuit["loop_gain_along"] == []
    assert circuit["expected_pitch"] is None
    # the slope that the amplifier gave needs no topology: a bound
    assert circuit["slew_rate_v_per_us"]["bound"] == "at-least"
    (found,) = (c for c in circuit["causes"] if c["finding"] == "level-drift")
    gangs = next(c for c in found["ranked"] if c["id"] == "gang-mismatch")
    assert gangs["standing"] != "shown"
    assert "the topology" in gangs["missing"]
