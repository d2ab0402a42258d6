"""Rules of the source: an oscillator, on this channel, with the stated wave."""

from __future__ import annotations

from functools import partial

from listen.account import Account
from listen.findings import measured
from listen.findings.candidate import Candidate

_ONE_TONE = 0.9
"""Part of the sounding time from which it is one note that a voice or an instrument holds, told from a board by its
harmonics alone. Only the sentence hangs on it."""


def source_candidates(account: Account, wave: str) -> list[Candidate]:
    """What the take holds instead of one oscillator; another channel, another wave."""
    frames, heard = account.frames, account.heard
    end_s = float(frames.time_s[-1]) if len(frames) else 0.0
    whole = partial(Candidate, start_s=float(frames.time_s[0]) if len(frames) else 0.0, end_s=end_s)
    if account.other_channel is not None:
        other = account.other_channel
        numbers = measured.OtherChannel(channel=other.channel, level_dbfs=other.level_dbfs)
        return [whole(kind="wrong-channel", severity="attention", measured=numbers)]
    if heard.source == "absent":
        return [whole(kind="oscillation-absent", severity="fault", measured=measured.Nothing())]
    if heard.source == "two-tones" and heard.low_hz and heard.high_hz and heard.weaker_dbc is not None:
        tones = measured.TwoTones(low_hz=heard.low_hz, high_hz=heard.high_hz, level_dbc=heard.weaker_dbc)
        return [whole(kind="two-tones", severity="attention", measured=tones)]
    if heard.source != "oscillator":
        sounds = measured.OtherSounds(clean_percent=100 * heard.clean_share, residual_dbc=heard.residual_dbc)
        one_tone = heard.clean_share > _ONE_TONE
        variant = "played" if heard.played else "no_sine" if heard.no_sine else "one_tone" if one_tone else "plain"
        return [whole(kind="not-an-oscillator", severity="attention", measured=sounds, variant=variant)]
    if account.other_wave is not None:
        which = measured.OtherWave(wave=account.other_wave, stated=wave)
        return [whole(kind="wrong-wave", severity="attention", measured=which, part=account.id_of("tone"))]
    return []
