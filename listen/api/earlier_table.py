"""The table of an earlier calibration, from before the scale trimmer was turned."""

from __future__ import annotations

import os

from listen.api.arguments import FilePath
from listen.errors import OptionError
from listen.report.calibration_document import CALIBRATION_SCHEMA, calibration_schema
from listen.report.files import read_ordinary
from listen.report.reading import DocumentFault, hold_to_schema, parse_document


def table_before(path: FilePath | None, turned: float | None) -> tuple[tuple[float, float], ...] | None:
    """Read the table of an earlier calibration.

    Parameters
    ----------
    path : path or None
        What ``listen calibrate --json`` wrote.
    turned : float or None
        Turns of the trimmer since then.

    Returns
    -------
    tuple of (float, float) or None
        Volts and pitch in Hz of each step that sounded.

    Raises
    ------
    OptionError
        One of the two is missing, or the file is no whole calibration.
    """
    if path is None:
        if turned is not None:
            raise OptionError("--turned needs the table before the turn", "give it with --before TABLE.json")
        return None
    if turned is None:
        raise OptionError(
            "--before needs to know how far the trimmer was turned since", "give --turned TURNS, clockwise positive"
        )
    name = f"--before {os.fspath(path)}"
    remedy = "give the file that listen calibrate --json wrote"
    try:
        document = parse_document(read_ordinary(path))
    except FileNotFoundError as cause:
        raise OptionError(f"{name}: no such file", remedy) from cause
    except (OSError, ValueError) as cause:
        reason = getattr(cause, "strerror", None) or cause
        raise OptionError(f"{name}: is no JSON document that can be read ({reason})", remedy) from cause
    if not isinstance(document, dict) or document.get("schema") != CALIBRATION_SCHEMA:
        raise OptionError(f"{name}: is not a calibration", remedy)
    try:
        hold_to_schema(document, calibration_schema())
    except DocumentFault as fault:
        raise OptionError(f"{name}: is no whole calibration ({fault})", remedy) from fault
    rows = tuple((float(s["cv_v"]), float(s["f0_hz"])) for s in document["steps"] if s["f0_hz"] is not None)
    if not all(f0_hz > 0.0 for _, f0_hz in rows):
        raise OptionError(f"{name}: holds values that are no pitches", remedy)
    return rows
