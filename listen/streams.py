"""Names of what is no ordinary file: a descriptor (``/dev/stdout``, a shell's ``>(command)``), a named pipe."""

from __future__ import annotations

import errno
import os
import re
import stat
import sys
import time
from typing import BinaryIO

_STANDARD = {"/dev/stdin": 0, "/dev/stdout": 1, "/dev/stderr": 2}
_NUMBERED = re.compile(r"/dev/fd/(\d{1,9})|/proc/(?:self|thread-self|(?P<process>\d{1,9}))/fd/(?P<there>\d{1,9})")
_MOST_LINKS = 40
"""As many as Linux follows before it gives up."""
LONGEST_WAIT_S = 10.0
"""For a reader of a named pipe: it is mostly started in the same breath, by hand in another terminal within seconds."""
_AGAIN_S = 0.02
_MUCH = 1 << 16
"""A pipe of Linux holds no more."""
_PIPES_BEGUN: dict[tuple[int, int], bytes] = {}
"""What was read of pipes to see what they hold, by device and inode."""
_PIPES_READ: dict[tuple[int, int], bytes] = {}
"""What pipes held, by device and inode: a pipe gives it once. The system counts inodes of pipes up."""


def descriptor_of(path: str | os.PathLike[str]) -> int | None:
    """Return the descriptor of this process that a name stands for, also through links.

    Parameters
    ----------
    path : path

    Returns
    -------
    int or None
        None where the name is that of a file. Whether the descriptor is open is not asked.

    Examples
    --------
    >>> descriptor_of("/dev/fd/63"), descriptor_of("take.wav")
    (63, None)
    """
    if os.name != "posix":
        return None
    name = os.path.abspath(path)
    for _ in range(_MOST_LINKS):
        if name in _STANDARD:
            return _STANDARD[name]
        found = _NUMBERED.fullmatch(name)
        if found is not None and found["process"] in (None, str(os.getpid())):
            return int(found["there"] or found[1])
        try:
            name = os.path.abspath(os.path.join(os.path.dirname(name), os.readlink(name)))
        except (OSError, ValueError):
            return None
    return None


def is_handed_over_pipe(path: str | os.PathLike[str]) -> bool:
    """Tell whether a name is a pipe that this process was given open, as a shell's ``<(command)`` is.

    Its writer is there; a named pipe may wait for one for ever.
    """
    number = descriptor_of(path)
    try:
        return number is not None and stat.S_ISFIFO(os.fstat(number).st_mode)
    except OSError:
        return False


def read_beginning(path: str | os.PathLike[str], most_bytes: int) -> bytes | None:
    """Return the first bytes of a file, or of a pipe that was handed over open; None for a named pipe.

    Parameters
    ----------
    path : path
    most_bytes : int

    Returns
    -------
    bytes or None

    Raises
    ------
    OSError
        It cannot be read.
    ValueError
        It is no name.
    """
    if is_handed_over_pipe(path):
        return read_handed_over(path, most_bytes)
    if stat.S_ISFIFO(os.stat(path).st_mode):
        return None
    with open(path, "rb") as file:
        return file.read(most_bytes)


def beginning_of(path: str | os.PathLike[str]) -> bytes:
    """Return the first bytes of a pipe that was handed over open; it can be read afterwards as if none had been taken.

    Raises
    ------
    OSError
        It is not open for reading.
    """
    number = descriptor_of(path)
    if number is None:
        raise OSError(errno.EBADF, os.strerror(errno.EBADF), os.fspath(path))
    key = _key(number)
    if key not in _PIPES_BEGUN:
        _PIPES_BEGUN[key] = os.read(number, _MUCH)
    return _PIPES_BEGUN[key]


def _key(number: int) -> tuple[int, int]:
    found = os.fstat(number)
    return found.st_dev, found.st_ino


def read_handed_over(path: str | os.PathLike[str], most_bytes: int) -> bytes:
    """Read a pipe that was handed over open, to its end or to so many bytes; the same again when it is asked again.

    Raises
    ------
    OSError
        It is not open for reading.
    """
    number = descriptor_of(path)
    if number is None:
        raise OSError(errno.EBADF, os.strerror(errno.EBADF), os.fspath(path))
    key = _key(number)
    if key not in _PIPES_READ:
        begun = _PIPES_BEGUN.pop(key, b"")
        with open(os.dup(number), "rb") as stream:
            _PIPES_READ[key] = begun + stream.read(max(0, most_bytes - len(begun)))
    return _PIPES_READ[key]


def open_to_read(path: str | os.PathLike[str]) -> tuple[bytes, BinaryIO]:
    """Open a pipe for reading, and wait `LONGEST_WAIT_S` at most for somebody who writes into it.

    Returns
    -------
    bytes
        What was read of it already.
    file
        The rest.

    Raises
    ------
    OSError
        It cannot be opened; ENXIO where nobody writes into it.
    """
    number = descriptor_of(path)
    if number is not None:
        return _PIPES_BEGUN.pop(_key(number), b""), open(os.dup(number), "rb")
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    until_s, beginning = time.monotonic() + LONGEST_WAIT_S, b""
    try:
        while not beginning:
            # nothing where there is no writer, an error where one is silent yet
            beginning = os.read(handle, _MUCH)
            if not beginning and time.monotonic() > until_s:
                raise OSError(errno.ENXIO, "nobody writes into this pipe", os.fspath(path))
            if not beginning:
                time.sleep(_AGAIN_S)
    except BlockingIOError:
        pass
    except BaseException:
        os.close(handle)
        raise
    os.set_blocking(handle, True)
    return beginning, open(handle, "rb")


def may_be_written(number: int) -> bool:
    """Tell whether a descriptor is open for writing."""
    import fcntl

    try:
        return fcntl.fcntl(number, fcntl.F_GETFL) & os.O_ACCMODE != os.O_RDONLY
    except OSError:
        return False


def open_to_write(path: str | os.PathLike[str]) -> int | None:
    """Open for writing what is no ordinary file.

    Parameters
    ----------
    path : path
        A named pipe may be without a reader for `LONGEST_WAIT_S`.

    Returns
    -------
    int or None
        A descriptor to be closed; None where the name is an ordinary file's, or nobody's. Of a descriptor's name
        (``/dev/stdout``) it goes on where that stands: a file that the shell opened is neither replaced nor cut.

    Raises
    ------
    OSError
        It cannot be opened; ENXIO where nobody reads the pipe.
    """
    number = descriptor_of(path)
    if number is not None:
        _empty_buffer(number)
        return os.dup(number)
    try:
        mode = os.stat(path).st_mode
    except FileNotFoundError:
        return None
    if stat.S_ISREG(mode):
        return None
    if not stat.S_ISFIFO(mode):
        return os.open(path, os.O_WRONLY | getattr(os, "O_NOCTTY", 0))
    until_s = time.monotonic() + LONGEST_WAIT_S
    while True:
        try:
            handle = os.open(path, os.O_WRONLY | os.O_NONBLOCK)
        except OSError as error:
            if error.errno != errno.ENXIO or time.monotonic() > until_s:
                raise
            time.sleep(_AGAIN_S)
            continue
        os.set_blocking(handle, True)
        return handle


def _empty_buffer(number: int) -> None:
    """Let what Python still holds for a standard stream go out first."""
    for stream in (sys.stdout, sys.stderr):
        try:
            if stream is not None and stream.fileno() == number:
                stream.flush()
        except (OSError, ValueError):  # it is closed, or is none of the system's
            continue
