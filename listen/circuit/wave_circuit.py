"""Figures of a board that makes another wave than a sine: its shape, and causes of what is wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from listen.account import Account
from listen.circuit.known import KnownBuild
from listen.circuit.rank import rank_causes
from listen.circuit.shape import wave_figures
from listen.circuit.types import Circuit, GangMismatch, LevelLoop, unknown
from listen.findings.types import Finding

_A_SINES = "read of a sine oscillator's loop alone"


def wave_circuit(account: Account, known: KnownBuild, findings: Sequence[Finding] = ()) -> Circuit:
    """Return the figures of a triangle, a sawtooth, a square or a pulse; all that is a sine's loop is unknown.

    Parameters
    ----------
    account : Account
    known : KnownBuild
    findings : sequence of Finding
        Whose causes are ranked.
    """
    none = unknown(_A_SINES)
    build = known.settings
    circuit = Circuit(
        growth=(),
        loop_gain_in_hand=none,
        loop_gain_along=(),
        amplifier_curve=None,
        level_loop=LevelLoop(natural_hz=none, damping=none),
        gang_mismatch=GangMismatch(spread_percent=none, constant_percent=none),
        slew_rate_v_per_us=none,
        slew_rising=none,
        slew_falling=none,
        gain_bandwidth_hz=none,
        dead_band_v=none,
        clip_negative_v=none,
        clip_positive_v=none,
        supply_v=build.supply_v if build else None,
        shape=wave_figures(account, known.wave, known.topology, build.shaper if build else None, corner_known=True),
    )
    return replace(circuit, causes=rank_causes(circuit, account, findings, known))
