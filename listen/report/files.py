"""Output files: written beside their target and renamed into place, so that none is ever half-written."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TextIO

from listen.errors import OutputError, is_link_of_others
from listen.streams import descriptor_of, is_handed_over_pipe, may_be_written, open_to_write, read_handed_over

_LARGEST_RESULT_BYTES = 10_000_000
"""A check's document has some 100 kB; a text takes several times its size in memory when it is read, and of millions of
numbers 0.1 s for each MB."""


def check_target(path: str | os.PathLike[str], *, option: str, inputs: Iterable[str | os.PathLike[str]] = ()) -> None:
    """Refuse a target that cannot or must not be written, before any work is done.

    Parameters
    ----------
    path : path
        The file to write.
    option : str
        The option that named it, for the message, for example ``--json``.
    inputs : iterable of path
        Files that are read; none of them may be the target, under any name.

    Raises
    ------
    OutputError
        The target is an input or a folder, its folder does not exist, or it may not be written.
    """
    target = Path(path)
    where = f"{option} {os.fspath(path)!r}"
    if not os.fspath(path):
        raise OutputError(what=f"{option} has an empty file name", remedy="name a file to write")
    if _quietly(target.is_dir) or os.fspath(path).endswith(("/", os.sep)):
        raise OutputError(what=f"{where} is a folder", remedy="name a file in it")
    for source in inputs:
        if _same_file(target, Path(source)):
            raise OutputError(what=f"{where} is one of the inputs", remedy="name another file, so that nothing is lost")
    _refuse_link_of_others(target, where)
    number = descriptor_of(path)
    if number is not None:
        if not may_be_written(number):
            raise OutputError(what=f"{where} is not open for writing", remedy="redirect it, or name a file")
        return
    folder = Path(os.path.realpath(target)).parent
    if not _quietly(folder.is_dir):
        raise OutputError(
            what=f"{where}: the folder {os.fspath(folder)!r} does not exist", remedy="make it first, or name another"
        )
    writable = os.access(target, os.W_OK) if _quietly(target.exists) else os.access(folder, os.W_OK)
    if not writable:
        raise OutputError(what=f"{where} may not be written", remedy="change its permissions, or name another file")


def read_ordinary(path: str | os.PathLike[str]) -> bytes:
    """Read an ordinary file, or a pipe that was handed over open (``<(command)``).

    A named pipe or a device is none, and keeps nobody waiting.

    Raises
    ------
    OSError
        It cannot be read, is no ordinary file, or is far too large for a result.
    """
    if is_handed_over_pipe(path):
        data = read_handed_over(path, _LARGEST_RESULT_BYTES + 1)
        if len(data) > _LARGEST_RESULT_BYTES:
            raise OSError(errno.EFBIG, "it is too large to be a result", os.fspath(path))
        return data
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            raise OSError(errno.EINVAL, "it is a folder, a pipe or a device", os.fspath(path))
        if found.st_size > _LARGEST_RESULT_BYTES:
            raise OSError(errno.EFBIG, "it is too large to be a result", os.fspath(path))
        with open(handle, "rb", closefd=False) as stream:
            return stream.read()
    finally:
        os.close(handle)


def write_whole(path: str | os.PathLike[str], data: bytes | Iterable[bytes], *, instead: bool = False) -> None:
    """Write a file so that it is there whole, or as it was before.

    Parameters
    ----------
    path : path
        The target. What is not an ordinary file (a pipe, a device, ``/dev/stdout``) is written to directly.
    data : bytes or iterable of bytes
        All of its contents, also piece by piece.
    instead : bool
        Whatever has that name gives way to the file, for names that are this program's own: no link is followed, and
        no pipe waits for a reader.

    Raises
    ------
    OutputError
        The disc is full, the folder is gone, nobody reads the pipe, or the like.

    Notes
    -----
    Where the system can, the new file has no name until it is complete, so that not even a kill leaves
    a part of it behind; at worst, a whole copy beside the older file that it was about to replace.
    """
    if not instead:
        _refuse_link_of_others(path, repr(os.fspath(path)))
    target = Path(os.path.abspath(path) if instead else os.path.realpath(path))
    pieces = iter([data] if isinstance(data, bytes) else data)
    if not instead and _write_directly(path, pieces):
        return
    try:
        mode = _mode_of(target)
        if mode is not None and not stat.S_ISREG(mode):
            mode = None
        if not _write_nameless(target, pieces, mode):
            _write_named(target, pieces, mode)
    except OSError as error:
        raise _not_written(path, error, "nothing was changed") from error


def open_lines(path: str | os.PathLike[str]) -> TextIO:
    """Open a file, a pipe or a device to write line after line to it.

    Raises
    ------
    OutputError
        It cannot be written, or nobody reads the pipe.
    """
    handle = _opened_directly(path)
    return open(path if handle is None else handle, "w", encoding="ascii", buffering=1)


def _write_directly(path: str | os.PathLike[str], pieces: Iterator[bytes]) -> bool:
    """Write to what is no ordinary file; False where it is one."""
    handle = _opened_directly(path)
    if handle is None:
        return False
    try:
        with open(handle, "wb") as stream:
            stream.writelines(pieces)
    except OSError as error:
        raise _not_written(path, error, "a part of it may have gone there") from error
    return True


def _opened_directly(path: str | os.PathLike[str]) -> int | None:
    try:
        return open_to_write(path)
    except OSError as error:
        if error.errno == errno.ENXIO and _quietly(Path(path).is_fifo):
            raise OutputError(
                f"nobody reads the pipe {os.fspath(path)!r}", "start its reader first, or name a file"
            ) from error
        raise _not_written(path, error, "nothing was changed") from error


def _not_written(path: str | os.PathLike[str], error: OSError, state: str) -> OutputError:
    reason = (error.strerror or type(error).__name__).lower()
    return OutputError(f"cannot write {os.fspath(path)!r} ({reason}), {state}", "make room or name another place")


def _refuse_link_of_others(path: str | os.PathLike[str], where: str) -> None:
    if is_link_of_others(path):
        raise OutputError(f"{where} is a link that another user made in a shared folder", "name a file of your own")


def _mode_of(target: Path) -> int | None:
    try:
        return target.lstat().st_mode
    except FileNotFoundError:
        return None


def _write_nameless(target: Path, pieces: Iterator[bytes], mode: int | None) -> bool:
    """Write to a file without a name and give it one at the end; False where the system cannot."""
    flag = getattr(os, "O_TMPFILE", None)
    if flag is None or not Path("/proc/self/fd").is_dir():
        return False
    try:
        handle = os.open(target.parent, flag | os.O_RDWR, 0o666)
    except OSError:
        return False
    try:
        _fill(handle, pieces, mode)
        try:
            _give_name(handle, target)
        except FileExistsError:
            with _spare_name(target) as spare:
                _give_name(handle, spare)
                os.replace(spare, target)
        except OSError:  # a system that does not let it be named: what is written is copied
            os.lseek(handle, 0, os.SEEK_SET)
            _write_named(target, iter(lambda: os.read(handle, 1 << 20), b""), mode)
        return True
    finally:
        os.close(handle)


def _give_name(handle: int, name: Path) -> None:
    # Only with a handle of its own does the call follow the link in /proc.
    os.link(f"/proc/self/fd/{handle}", name, src_dir_fd=handle, follow_symlinks=True)


def _write_named(target: Path, pieces: Iterator[bytes], mode: int | None) -> None:
    with _spare_name(target) as spare:
        handle = os.open(spare, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
        try:
            _fill(handle, pieces, mode)
        finally:
            os.close(handle)
        os.replace(spare, target)


def _fill(handle: int, pieces: Iterator[bytes], mode: int | None) -> None:
    """Write all of it to the disc, with the permissions of the file that it replaces."""
    for piece in pieces:
        rest = memoryview(piece)
        while rest:
            rest = rest[os.write(handle, rest) :]
    if mode is not None and hasattr(os, "fchmod"):
        os.fchmod(handle, stat.S_IMODE(mode))
    os.fsync(handle)


@contextlib.contextmanager
def _spare_name(target: Path) -> Iterator[Path]:
    """Give a name beside the target, and leave nothing there."""
    spare = target.with_name(f".{target.name[:80]}.{os.urandom(6).hex()}.part")
    try:
        yield spare
    finally:
        with contextlib.suppress(OSError):
            spare.unlink()


def _same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except (OSError, ValueError):
        return os.path.normcase(os.path.realpath(one)) == os.path.normcase(os.path.realpath(other))


def _quietly(question: object) -> bool:
    """Ask a path something; a name that the system cannot even look up has no such thing."""
    try:
        return bool(question())  # type: ignore[operator]
    except (OSError, ValueError):
        return False
