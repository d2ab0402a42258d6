"""What stands in a logbook: builds, entries, and the circumstances that an entry was measured in."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from listen.errors import LogbookError

EntryKind = Literal["check", "calibration", "note"]
AdjustmentState = Literal["as-found", "as-left"]

KINDS: tuple[EntryKind, ...] = ("check", "calibration", "note")
STATES: tuple[AdjustmentState, ...] = ("as-found", "as-left")
SCHEMAS: Mapping[str, EntryKind] = {"listen.check/1": "check", "listen.calibration/1": "calibration"}
"""Which documents are kept, and as what."""


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """The circumstances of a measurement, as far as they were stated.

    Attributes
    ----------
    build : str or None
        The build's name, where it was stated with the measurement.
    note : str or None
        In the user's own words; may have several lines.
    temperature_c : float or None
        Of the room, degrees Celsius, -50 to 100.
    warm_up_min : float or None
        Minutes since the supply was switched on.
    measured : datetime or None
        When it was measured, with its time zone; now where not given.
    state : {'as-found', 'as-left'} or None
        Whether a calibration was made before or after adjusting.
    """

    build: str | None = None
    note: str | None = None
    temperature_c: float | None = None
    warm_up_min: float | None = None
    measured: datetime | None = None
    state: AdjustmentState | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry; entries are never changed, at most struck out.

    Attributes
    ----------
    number : int
        Counts from 1 in each logbook and is never given twice.
    build : str
    kind : {'check', 'calibration', 'note'}
    state : {'as-found', 'as-left'} or None
    measured, stored : datetime
        In UTC.
    note, temperature_c, warm_up_min
        As in `About`.
    document_text : str or None
        The JSON document as it was stored; None for a note.
    struck : datetime or None
        When it was struck out.
    struck_why : str or None
    changed : bool
        It is not as it was stored: a column that cannot be read is at its default, and the document is not handed
        out.
    """

    number: int
    build: str
    kind: EntryKind
    state: AdjustmentState | None
    measured: datetime
    stored: datetime
    note: str | None
    temperature_c: float | None
    warm_up_min: float | None
    document_text: str | None
    struck: datetime | None = None
    struck_why: str | None = None
    changed: bool = False

    @property
    def document(self) -> dict[str, Any]:
        """The document, read anew each time; empty for a note, and for what was struck out since it was changed.

        Raises
        ------
        LogbookError
            It cannot be read, or the entry was changed after it had been stored.
        """
        if self.document_text is None or (self.changed and self.struck is not None):
            return {}
        if self.changed:
            raise LogbookError(
                f"entry {self.number} of the logbook was changed after it had been stored",
                f'restore a copy, or strike it out: listen logbook strike {self.number} "changed"',
            )
        try:
            document = json.loads(self.document_text)
        except (ValueError, RecursionError):
            document = None
        if not isinstance(document, dict):
            raise LogbookError(
                f"entry {self.number} of the logbook is damaged", '"listen logbook verify" says what else is'
            )
        return document


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildLine:
    """What a list of builds says of one of them.

    Attributes
    ----------
    name : str
        As it was first written.
    checks, calibrations, notes : int
        How many entries of each kind stand.
    last : Entry or None
        The one measured last that stands.
    """

    name: str
    checks: int
    calibrations: int
    notes: int
    last: Entry | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """What was stored; it is on the disc when this is returned.

    Attributes
    ----------
    number : int
        Of the entry.
    build : str
        The name of the build as the logbook has it.
    path : Path
        The logbook.
    new_build : bool
        True for the first entry of a build.
    similar : str or None
        Another build whose name is nearly that of a new one: perhaps the same was meant.
    same_as : int or None
        An earlier entry made from the same recording.
    """

    number: int
    build: str
    path: Path
    new_build: bool
    similar: str | None
    same_as: int | None
