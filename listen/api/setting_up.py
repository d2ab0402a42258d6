"""``listen setup``: short takes of known things to a bench file."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path

from listen.api.arguments import FilePath
from listen.api.recorder import recorder_from, recorder_keys, recorder_remarks, same_recorder
from listen.bench import load_bench, read_toml
from listen.calibration.clock import Clock, clock_from
from listen.calibration.loopback_read import Loopback
from listen.calibration.recording_chain import Contact, Floor, Volts, contact, floor_of, volts_from_tone
from listen.capture import Capture, Damage, open_capture, scan_damage
from listen.errors import BenchError, CaptureError, OptionError, suggestion
from listen.report.bench_text import Value, with_keys
from listen.report.files import check_target, write_whole
from listen.track import track

_LONGEST_S = 60.0
_LONGEST_LOOPBACK_S = 300.0
"""The stimulus lasts half a minute; whoever lets the recorder run on for minutes is still served."""
_IMPURE_PERCENT = 3.0
METERS = ("true-rms", "average")


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupResult:
    """What the takes say of the chain.

    Attributes
    ----------
    volts : Volts or None
    contact : Contact or None
    floor : Floor or None
    loopback : Loopback or None
        What the recorder does by itself.
    clock : Clock or None
        Against a stated reference.
    text : str
        The bench file with what was found.
    path : str or None
        Where it was written.
    remarks : tuple of str
        What to mind.
    """

    volts: Volts | None
    contact: Contact | None
    floor: Floor | None
    loopback: Loopback | None = None
    clock: Clock | None = None
    text: str
    path: str | None
    remarks: tuple[str, ...]


def setup(
    *,
    tone: FilePath | None = None,
    meter_v: float | None = None,
    meter: str = "true-rms",
    cell: FilePath | None = None,
    cell_v: float | None = None,
    silence: FilePath | None = None,
    loopback: FilePath | None = None,
    clock: FilePath | None = None,
    clock_hz: float | None = None,
    channel: int | None = None,
    write: FilePath | None = None,
    replace: bool = False,
) -> SetupResult:
    """Measure the recording chain and write it into a bench file.

    Parameters
    ----------
    tone : path, optional
        A steady sine of 50 to 400 Hz, with ``meter_v`` read at the same jack.
    meter_v : float, optional
        Volts r.m.s.
    meter : {'true-rms', 'average'}
        How the meter measures; it matters where the tone is no sine.
    cell : path, optional
        A cell touched to the input, plus to the tip, held for a second.
    cell_v : float, optional
        Its volts, to compare.
    silence : path, optional
        Everything connected, nothing sounding.
    loopback : path, optional
        The file that ``listen stimulus --loopback`` wrote, played from the interface's output into its input.
    clock : path, optional
        A tone whose pitch is known better than the interface's clock, ``clock_hz``.
    clock_hz : float, optional
    channel : int, optional
        Counts from 1.
    write : path, optional
        The bench file to make or to change; all else in it stays.
    replace : bool
        Whether a polarity or a recorder that differs from what the file holds may take its place.

    Returns
    -------
    SetupResult

    Raises
    ------
    ListenError
        A take or an option cannot be used.
    """
    if meter not in METERS:
        raise OptionError(f"{meter!r} is no kind of meter", suggestion(meter, METERS))
    takes = [path for path in (tone, cell, silence, loopback, clock) if path is not None]
    if not takes:
        raise OptionError(
            "no take was given", 'give --tone, --cell, --silence or --loopback; "listen setup" alone shows how'
        )
    _complete(tone, meter_v, clock, clock_hz)
    before = _before(write, takes)
    touched = contact_of(cell, channel) if cell is not None else None
    volts = _volts(tone, meter_v, touched, channel) if tone is not None and meter_v is not None else None
    quiet = _floor(silence, channel) if silence is not None else None
    looped = _loopback(loopback, channel) if loopback is not None else None
    ticked = _clock(clock, clock_hz, channel) if clock is not None and clock_hz is not None else None
    if write is not None and not replace:
        if touched is not None:
            _same_polarity(touched, write)
        if looped is not None:
            same_recorder(write, looped)
    values, notes = _keys(volts, touched, channel)
    if ticked is not None:
        values["clock_error_ppm"] = round(ticked.error_ppm, 3)
        notes["clock_error_ppm"] = (
            f"against {ticked.reference_hz:g} Hz, known to {max(ticked.sigma_ppm, 0.001):.2g} ppm"
        )
    name = os.fspath(write or "the bench file")
    text = with_keys(before, "capture", values, notes, name) if values else before
    if looped is not None:
        text = with_keys(text, "recorder", *recorder_keys(looped), name)
    if quiet is not None:
        text = _with_floor(text, quiet)
    if write is not None:
        write_whole(write, text.encode("utf-8"))
    return SetupResult(
        volts=volts,
        contact=touched,
        floor=quiet,
        loopback=looped,
        clock=ticked,
        text=text,
        path=None if write is None else os.fspath(write),
        remarks=_remarks(volts, touched, meter, cell_v) + (recorder_remarks(looped) if looped is not None else ()),
    )


def _complete(tone: FilePath | None, meter_v: float | None, clock: FilePath | None, clock_hz: float | None) -> None:
    """Refuse a take without the reading that belongs to it, and the other way round."""
    pairs = (
        ("--tone", tone, "--meter", meter_v, "the take of a tone and what the meter reads at that jack"),
        ("--clock", clock, "--clock-hz", clock_hz, "the take of a reference and its pitch"),
    )
    for take_option, take, option, value, both in pairs:
        if (take is None) != (value is None):
            present, wanted = (take_option, option) if value is None else (option, take_option)
            raise OptionError(f"{present} is given without {wanted}", f"give both: {both}")
    if meter_v is not None and not 0.0 < meter_v < 1e4:
        raise OptionError(f"--meter {meter_v:g} V is no reading", "give the volts r.m.s. that the meter shows, above 0")
    if clock_hz is not None and not 10.0 <= clock_hz <= 20e3:
        raise OptionError(f"--clock-hz {clock_hz:g} is no pitch of a reference", "give 10 to 20000 Hz")


def _same_polarity(touched: Contact, write: FilePath) -> None:
    """Refuse to turn the polarity over that a bench file holds: every half named so far would be the other one."""
    if not Path(write).exists():
        return
    held = read_toml(write, BenchError, "bench file").get("capture", {}).get("inverted")
    if held is None or held == touched.inverted:
        return
    said = f"inverted = {str(held).lower()}"
    raise OptionError(
        f"--cell: the first swing goes {'down' if touched.inverted else 'up'}, but {os.fspath(write)} holds {said}",
        "touch plus to the tip and try again; if the cable or the input was changed, add --replace",
    )


def contact_of(path: FilePath, channel: int | None) -> Contact:
    """Read a take of a cell touched to the input."""
    capture = open_capture(path, channel=channel)
    return contact(_samples(capture), capture.sample_rate_hz, capture.path)


def _samples(capture: Capture, longest_s: float = _LONGEST_S):  # type: ignore[no-untyped-def]
    """Return the samples of a take, of which none may be missing: what they say holds for all takes from now on."""
    _whole(capture, scan_damage(capture))
    stop = min(capture.n_samples, int(longest_s * capture.sample_rate_hz))
    return capture.read(0, stop)


def _whole(capture: Capture, damage: Damage) -> None:
    if damage.n_nonfinite:
        raise CaptureError(
            f"{capture.path}: {damage.n_nonfinite} of its numbers are no samples (not finite, or beyond all measure)",
            "record it again, as 16 or 24 bit WAV",
        )


def _before(write: FilePath | None, inputs: list[FilePath]) -> str:
    """Return the bench file as it is, and refuse a target that cannot be written."""
    if write is None:
        return ""
    check_target(write, option="--write", inputs=inputs)
    if not Path(write).exists():
        return ""
    if not Path(write).is_file():
        raise OptionError(f"--write {os.fspath(write)!r} is a pipe or a device", "name a bench file")
    load_bench(write)
    try:
        return Path(write).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as cause:
        raise BenchError(f"{os.fspath(write)}: cannot be read ({cause})", "check the file") from cause


def _volts(tone: FilePath, meter_v: float, touched: Contact | None, channel: int | None) -> Volts:
    capture = open_capture(tone, channel=channel)
    damage = scan_damage(capture)
    _whole(capture, damage)
    if len(damage.overload):
        raise CaptureError(
            f"{capture.path}: the interface clips", "lower the gain, read the meter again, and record it again"
        )
    frames = track(capture)
    return volts_from_tone(frames, meter_v, capture.path, touched.corner_hz if touched else None)


def _loopback(path: FilePath, channel: int | None) -> Loopback:
    capture = open_capture(path, channel=channel)
    return recorder_from(capture, _samples(capture, _LONGEST_LOOPBACK_S))


def _clock(path: FilePath, reference_hz: float, channel: int | None) -> Clock:
    capture = open_capture(path, channel=channel)
    _whole(capture, scan_damage(capture))
    return clock_from(track(capture), reference_hz, capture.path)


def _floor(silence: FilePath, channel: int | None) -> Floor:
    capture = open_capture(silence, channel=channel)
    return floor_of(_samples(capture), capture.sample_rate_hz, capture.path)


def _keys(volts: Volts | None, touched: Contact | None, channel: int | None) -> tuple[dict[str, Value], dict[str, str]]:
    values: dict[str, Value] = {}
    notes: dict[str, str] = {}
    if channel is not None:
        values["channel"] = channel
    if volts is not None:
        values["volts_per_full_scale"] = volts.volts_per_full_scale
        notes["volts_per_full_scale"] = f"from a tone of {volts.f0_hz:.1f} Hz at {volts.level_dbfs:.2f} dBFS"
    if touched is not None:
        values["inverted"] = touched.inverted
        if touched.corner_hz is not None:
            values["ac_coupling_hz"] = touched.corner_hz
            if len(touched.corners_hz) > 1:
                both = " and ".join(f"{corner:.2f}" for corner in touched.corners_hz)
                notes["ac_coupling_hz"] = f"two couplings in series, {both} Hz; their sum shifts the phases alike"
    return values, notes


def _with_floor(text: str, floor: Floor) -> str:
    hum = (
        f", hum of {floor.hum_hz:.0f} Hz at {floor.hum_dbfs:.1f} dBFS"
        if floor.hum_hz and floor.hum_dbfs
        else ", no hum"
    )
    lines = [line for line in text.splitlines() if not line.startswith("# floor ")]
    while lines and not lines[-1].strip():
        lines.pop()
    return "\n".join([*lines, f"# floor {floor.floor_dbfs:.1f} dBFS{hum}"]) + "\n"


def _remarks(volts: Volts | None, touched: Contact | None, meter: str, cell_v: float | None) -> tuple[str, ...]:
    out = []
    if volts is not None and volts.thd_percent > _IMPURE_PERCENT:
        if meter == "average":
            out.append(
                f"The tone is no sine (THD {volts.thd_percent:.1f} %): a meter that averages reads up to 4 % low on a "
                "triangle and 11 % high on a square; use a sine."
            )
        else:
            out.append(
                f"The tone is no sine (THD {volts.thd_percent:.1f} %): right only with a meter that reads true r.m.s."
            )
    if touched is not None:
        if len(touched.corners_hz) > 1:
            low, high = touched.corners_hz
            out.append(
                f"Two couplings in series were found, {low:.2f} and {high:.2f} Hz: perhaps a capacitor in the pad."
            )
        if touched.corner_hz is None:
            out.append(f"The cell was held for {touched.held_s:.2f} s only, too short for the corner: hold it longer.")
        if touched.bounces:
            out.append(
                f"The contact bounced {touched.bounces} time{'s' if touched.bounces > 1 else ''}; the rest was used."
            )
        if cell_v and volts is not None:
            says = cell_v / touched.step_fs
            off = 100.0 * (says / volts.volts_per_full_scale - 1.0)
            if math.fabs(off) > 20.0:
                out.append(
                    f"By the cell full scale is {says:.3g} V, by the tone {volts.volts_per_full_scale:.3g} V: "
                    "was the gain changed between the takes, or the cell touched behind the pad?"
                )
    return tuple(out)
