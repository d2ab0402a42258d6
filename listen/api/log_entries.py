"""``listen logbook``, and keeping what a check found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from listen.api.arguments import FilePath
from listen.errors import OptionError
from listen.logbook import (
    About,
    Drift,
    Stored,
    compare_tables,
    drift_history,
    logbook_path,
    read_entry,
    read_history,
    record_check,
)
from listen.report import check_document

if TYPE_CHECKING:
    from listen.api.checking import CheckResult


def keep_check(
    result: CheckResult, *, build: str | None = None, logbook: FilePath | None = None, about: About | None = None
) -> Stored:
    """Keep what a check found.

    Parameters
    ----------
    result : CheckResult
    build : str, optional
        The name of the build; the bench file's where not given.
    logbook : path, optional
        The file; the usual one where not given.
    about : About, optional
        Note, temperature, minutes since switching on.

    Returns
    -------
    Stored
        The entry is on the disc.

    Raises
    ------
    ListenError
        There is no name, or the logbook cannot be written; nothing was stored.
    """
    name = build or (result.bench.build.name if result.bench else None)
    if name is None:
        raise OptionError(
            "the logbook needs the name of the build", "name it, or write it into the bench file ([build] name)"
        )
    return record_check(check_document(result), build=name, path=logbook, about=about)


def drift(
    build: str, *, logbook: FilePath | None = None, entry: int | None = None, against: int | None = None
) -> tuple[Drift, ...]:
    """Tell how the table of a build moved from one calibration to the next.

    Parameters
    ----------
    build : str
    logbook : path, optional
        The file; the usual one where not given.
    entry, against : int, optional
        Two entries to compare, the later and the earlier; else every calibration is compared with the last
        table that was left before it.

    Returns
    -------
    tuple of Drift
        In the order of time; one where two entries were named.

    Raises
    ------
    OptionError
        There is no such build or entry, or fewer than two calibrations.
    LogbookError
        There is no logbook, or it cannot be read.
    """
    path = logbook_path(logbook)
    entries = read_history(path, build)
    if (entry is None) != (against is None):
        raise OptionError("one entry alone cannot be compared", "name both: --entry N --against M")
    if entry is not None and against is not None:
        for number in (entry, against):
            if read_entry(path, number).kind != "calibration":
                raise OptionError(f"entry {number} is no calibration", f'"listen logbook show {build}" lists them')
        later, earlier = read_entry(path, entry), read_entry(path, against)
        return (compare_tables(earlier, later),)
    tables = [e for e in entries if e.kind == "calibration" and e.struck is None]
    if len(tables) < 2:
        raise OptionError(
            f"{build!r} has {len(tables)} calibration{'' if len(tables) == 1 else 's'}, a drift takes two",
            "keep another: listen calibrate TAKE.wav ... --build NAME",
        )
    return drift_history(entries)
