"""Which captures a folder holds, and in which order."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from listen.errors import CaptureError, OptionError

SOUND_ENDINGS = frozenset(
    ".wav .wave .bwf .rf64 .w64 .flac .aif .aiff .aifc .au .snd .caf .iff .svx .8svx .nist .sph .ircam .sf .voc "
    ".avr .htk .mpc .paf .pvf .sd2 .sds .wve .xi .ogg .oga .opus .mp3 .m4a .m4b .aac .wma .amr .3gp .ape .wv".split()
)
"""Endings of what libsndfile reads, and of what recorders and telephones write besides: a check says why it will not
take the lossy ones. MATLAB files and headerless samples are not here: their endings mostly stand for something else."""

_EXCERPTS = ("-second.wav", "-residue.wav", "-pure.wav")
_STAIRCASE = b"start_s,end_s,cv_v\n"
_NAMED = "name a folder with WAV, FLAC or AIFF files (hidden ones are left out)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A capture, or a place that cannot be looked into.

    Attributes
    ----------
    path : str
        To open it by.
    label : str
        What the table calls it: within the folder where one folder was named, else the path.
    error : str or None
        Why it cannot be looked into.
    """

    path: str
    label: str
    error: str | None = None


def gather(paths: Sequence[str], *, skip: Iterable[str] = ()) -> tuple[Found, ...]:
    """Return every capture that was named or lies in a folder that was named.

    Parameters
    ----------
    paths : sequence of str
        Folders, which are walked, and files, which are taken whatever they are called.
    skip : iterable of str
        Folders that results are written to: they are not walked.

    Returns
    -------
    tuple of Found
        In the order in which they were named; within a folder its files, then its folders, each by name, case apart
        and numbers by their size (take 2 before take 10). What is named twice comes once.

    Raises
    ------
    OptionError
        Standard input or a pipe is among them: no other process can read it.
    CaptureError
        There is no capture at all.
    """
    left_out = {os.path.realpath(folder) for folder in skip}
    found: dict[str, Found] = {}
    empty = 0
    for path in paths:
        inside = os.path.isdir(path)
        if not inside:
            _readable_elsewhere(path)
        base = path if inside and len(paths) == 1 else ""
        items = list(_walk(path, left_out)) if inside else [Found(path=path, label=path)]
        if not items:
            empty += 1
            items = [Found(path=path, label=path, error=f"holds no sound file; {_NAMED}")]
        for item in items:
            label = os.path.relpath(item.path, base) if base else item.path
            found.setdefault(_place(item.path), Found(path=item.path, label=label, error=item.error))
    if empty == len(paths):
        named = paths[0] if len(paths) == 1 else f"{paths[0]} and {len(paths) - 1} more"
        raise CaptureError(f"{named}: holds no sound file", _NAMED)
    return tuple(found.values())


def natural_order(name: str) -> tuple[list[tuple[int, int, str]], str]:
    """Return a key that puts take 2 before take 10.

    Examples
    --------
    >>> sorted(["take 10.wav", "Take 2.wav", "b.wav"], key=natural_order)
    ['b.wav', 'Take 2.wav', 'take 10.wav']
    """
    parts = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return [(0, int(part), "") if part[0] in "0123456789" else (1, 0, part) for part in parts], name


def _readable_elsewhere(path: str) -> None:
    try:
        pipe = path != "-" and stat.S_ISFIFO(os.stat(path).st_mode)
    except (OSError, ValueError):  # the check says what is wrong with it
        return
    if path == "-" or pipe:
        name = "standard input" if path == "-" else path
        raise OptionError(f"{name} cannot be checked among many", "write it to a file first, or check it alone")


def _place(path: str) -> str:
    """Name a place in one way, however its folder was reached; a link to a file is a name of its own."""
    try:
        folder, name = os.path.split(os.path.abspath(path))
        return os.path.join(os.path.realpath(folder), name)
    except (OSError, ValueError):
        return path


def _walk(top: str, left_out: set[str]) -> Iterator[Found]:
    """Walk a folder without recursion; links to folders are followed, each folder is visited once."""
    seen = left_out - {os.path.realpath(top)}  # results may be written into the very folder that is looked at
    waiting = [top]
    while waiting:
        folder = waiting.pop()
        real = os.path.realpath(folder)
        if real in seen:
            continue
        seen.add(real)
        try:
            with os.scandir(folder) as entries:
                visible = sorted(
                    (e for e in entries if not e.name.startswith(".")), key=lambda e: natural_order(e.name)
                )
        except OSError as error:
            reason = (error.strerror or "it failed").lower()
            yield Found(path=folder, label=folder, error=f"the folder cannot be looked into ({reason})")
            continue
        folders = [entry for entry in visible if _quietly(entry.is_dir)]
        names = {entry.name for entry in visible}
        for entry in visible:
            if os.path.splitext(entry.name)[1].lower() in SOUND_ENDINGS and _is_take(entry, names):
                yield Found(path=entry.path, label=entry.path)
        waiting += [entry.path for entry in reversed(folders)]


def _is_take(entry: os.DirEntry[str], names: set[str]) -> bool:
    """Tell a recording from what is no file and from what this tool itself wrote."""
    if not _quietly(entry.is_file) and not entry.is_symlink():  # a dangling link is reported, not ignored
        return False
    if _quietly(entry.is_dir) or _is_special(entry):
        return False
    for ending in _EXCERPTS:
        stem = entry.name.removesuffix(ending)
        if stem != entry.name:
            return not any(stem + other in names for other in _EXCERPTS if other != ending)
    steps = os.path.splitext(entry.name)[0] + ".steps.csv"
    return steps not in names or not _begins_with(os.path.join(os.path.dirname(entry.path), steps), _STAIRCASE)


def _is_special(entry: os.DirEntry[str]) -> bool:
    """Tell whether a link leads to a pipe or a device."""
    try:
        return not stat.S_ISREG(entry.stat().st_mode)
    except OSError:
        return False


def _begins_with(path: str, start: bytes) -> bool:
    try:
        with open(path, "rb") as file:
            return file.read(len(start)) == start
    except OSError:
        return False


def _quietly(question: Callable[[], bool]) -> bool:
    try:
        return question()
    except OSError:
        return False
