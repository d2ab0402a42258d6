"""What was measured when: builds, checks, calibrations and notes in one SQLite file."""

from listen.logbook.book import check_logbook
from listen.logbook.drift import Drift, NoteDrift, compare_tables, drift_history
from listen.logbook.place import VARIABLE, default_path, logbook_path
from listen.logbook.queries import read_builds, read_entry, read_history
from listen.logbook.types import STATES, About, BuildLine, Entry, Stored
from listen.logbook.verifying import Verification, verify
from listen.logbook.writes import record, record_calibration, record_check, record_note, strike

__all__ = [
    "STATES",
    "VARIABLE",
    "About",
    "BuildLine",
    "Drift",
    "Entry",
    "NoteDrift",
    "Stored",
    "Verification",
    "check_logbook",
    "compare_tables",
    "default_path",
    "drift_history",
    "logbook_path",
    "read_builds",
    "read_entry",
    "read_history",
    "record",
    "record_calibration",
    "record_check",
    "record_note",
    "strike",
    "verify",
]
