"""Samples to frames: rough pitch of the whole capture first, then one chunk after the other."""

from __future__ import annotations

import contextlib
import itertools
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Protocol

import numpy as np

from listen.track.chunk import Chunk, margin_samples, measure_chunk
from listen.track.hum import block_samples
from listen.track.lines import FRAME_CYCLES, FRAME_S
from listen.track.memory import give_back_memory
from listen.track.phase import rough_curve
from listen.track.pitch_estimate import CoarseTrack, coarse_chunk, coarse_margin, hop_samples
from listen.track.recorder import without_recorder_response
from listen.track.rows import RowSettings
from listen.track.segments import find_segments
from listen.track.spectra import SpectraStore
from listen.track.table import Each, FrameTable
from listen.track.threads import threads_to_use
from listen.track.types import ROW_EVERY_S, Floats, Frames

CHUNK_SAMPLES = 2**20
"""8 MB of samples, 22 s at 48 kHz."""
_ALONE = 2**18
"""In samples: a shorter take is not divided between two threads."""
COARSE_HOPS = 256
"""Hops in one call of the rough pitch, 10 s: their windows and spectra take 1.3 MB at each of the three rates."""
_OF_FRAMES = 0.4
"""Share of the work on a tone that grows with the overlap of its frames."""
_MOST_WORK = 1.5
_LONG_CHUNKS = 16
"""In chunks: releasing the memory of a shorter take is not worth the time."""
WORKERS = 2
"""Threads: a take of up to 20 s is two chunks."""
Progress = Callable[[float], None]


class SampleSource(Protocol):
    """What the tracker needs of a capture."""

    @property
    def true_rate_hz(self) -> float:
        """Samples a second."""
        ...

    @property
    def start_sample(self) -> int:
        """First sample of the span."""
        ...

    @property
    def stop_sample(self) -> int:
        """Sample after the last one of the span."""
        ...

    @property
    def ac_coupling_hz(self) -> float | None:
        """Corner of the interface's high-pass; None: unknown."""
        ...

    def read(self, start: int, stop: int) -> Floats:
        """Samples start .. stop of the file."""
        ...


def track(
    capture: SampleSource,
    *,
    progress: Progress | None = None,
    chunk_samples: int = CHUNK_SAMPLES,
    workers: int = WORKERS,
    spectra: SpectraStore | None = None,
) -> Frames:
    """Track pitch, harmonics and envelope of a capture.

    Parameters
    ----------
    capture : Capture
        Or anything with its rate, span and ``read``.
    progress : callable, optional
        Called with the share done, 0 to 1.
    chunk_samples : int
        Approximate samples in a chunk. No row depends on it, but in a wave whose phase jumps everywhere: of one chunk
        the 24 clearest jumps are tested.
    workers : int
        Threads, one where the system starts no more; the result does not depend on it.
    spectra : SpectraStore, optional
        Receives all harmonics of some rows, from which triangle, sawtooth and pulse waves are measured.

    Returns
    -------
    Frames
        One row every 20 ms, centred on whole multiples of it; of more than an hour every second row, or third, and so
        on.

    Notes
    -----
    The continuous phase of the tone is recovered first; harmonics are then measured over whole cycles of it, so
    that they do not leak in a sweep.
    """
    rate = capture.true_rate_hz
    first, last = capture.start_sample, capture.stop_sample
    report = progress or _silent
    read = padded_reader(capture, first, last)

    settings = RowSettings(
        rate_hz=rate,
        coupling_hz=capture.ac_coupling_hz,
        spectra_every=spectra.every_for(first, last, rate) if spectra is not None else 0,
    )
    long = last - first > _LONG_CHUNKS * chunk_samples
    give_back = give_back_memory if long else _nothing
    workers = threads_to_use(workers)
    with one_thread_each(), ThreadPoolExecutor(max_workers=workers) as pool:
        each: Each = pool.map if workers > 1 else map
        coarse = _coarse_track(read, rate, first, last, each, lambda share: report(0.3 * share))
        give_back()
        segments = find_segments(coarse, rate, first, last, read)
        numbered = [(i, segment, rough_curve(segment, rate)) for i, segment in enumerate(segments)]
        bounds = _bounds(first, last, chunk_samples, block_samples(rate), _work(coarse))

        def work(bound: tuple[int, int]) -> Chunk:
            a, b = bound
            margin = margin_samples(segments, a, b, rate)
            low, high = max(first, a - margin), min(last, b + margin)
            near = [item for item in numbered if item[1].start < high and item[1].stop > low]
            return measure_chunk(read(low, high), low, a, b, near, settings)

        table = FrameTable(segments, rate, first, last, ROW_EVERY_S)
        for i, chunk in enumerate(each(work, bounds)):
            table.add(chunk)
            if spectra is not None:
                spectra.add(chunk.rows)
            report(0.3 + 0.7 * (i + 1) / len(bounds))
        give_back()
        frames = table.frames(map if long else each)
    give_back()
    # a source in memory has no recorder
    return without_recorder_response(frames, getattr(capture, "recorder", None), capture.ac_coupling_hz)


def _work(coarse: CoarseTrack) -> Floats:
    """Approximate relative work of each hop: at low pitches frames are longer and overlap more."""
    pitch = np.where(coarse.f0_hz > 0, coarse.f0_hz, np.inf)
    frame_s: Floats = np.maximum(FRAME_S, FRAME_CYCLES / pitch)
    work: Floats = np.minimum(1.0 + _OF_FRAMES * (frame_s / FRAME_S - 1.0), _MOST_WORK)
    return work


def _bounds(first: int, last: int, most: int, block: int, work: Floats) -> list[tuple[int, int]]:
    """Chunks of equal work, an even number of them unless one is short enough, so that two threads finish together.

    ``work``: of equal pieces of first .. last, at least 1 each, so that no chunk is longer than ``most``.
    """
    chunks = int(np.ceil((last - first) * np.mean(work) / most))
    chunks += chunks % 2 if last - first > min(most, _ALONE) else 0
    done = np.concatenate([[0.0], np.cumsum(work)])
    places = np.interp(np.arange(1, chunks) / max(chunks, 1) * done[-1], done, np.linspace(first, last, len(done)))
    ends = sorted({first + round((place - first) / block) * block for place in places.tolist()} - {first, last})
    return list(itertools.pairwise([first, *ends, last])) if last > first else []


def one_thread_each() -> contextlib.AbstractContextManager[object]:
    """Limit the linear algebra library to one thread: nested threads spend their time in spin locks."""
    if os.environ.get("OPENBLAS_NUM_THREADS") == "1":
        return contextlib.nullcontext()
    from threadpoolctl import threadpool_limits

    limited: contextlib.AbstractContextManager[object] = threadpool_limits(limits=1, user_api="blas")
    return limited


def _nothing() -> None:
    pass


def _silent(share: float) -> None:
    del share


def padded_reader(capture: SampleSource, first: int, last: int) -> Callable[[int, int], Floats]:
    """Return a function that reads samples of a capture, and zeros before ``first`` and from ``last`` on."""

    def read(start: int, stop: int) -> Floats:
        a, b = min(max(start, first), last), max(min(stop, last), first)
        if a == start and b == stop:
            return capture.read(start, stop)
        out = np.zeros(stop - start)
        if b > a:
            out[a - start : b - start] = capture.read(a, b)
        return out

    return read


def _coarse_track(
    read: Callable[[int, int], Floats], rate: float, first: int, last: int, each: Each, report: Progress
) -> CoarseTrack:
    hop, margin = hop_samples(rate), coarse_margin(rate)
    count = max(1, (last - first - 1) // hop + 1)
    starts = range(0, count, COARSE_HOPS)

    def work(start: int) -> Floats:
        n = min(COARSE_HOPS, count - start)
        low = first + start * hop
        return coarse_chunk(read(low - margin, low + (n - 1) * hop + margin + 1), rate, n)

    rows = []
    for i, chunk in enumerate(each(work, starts)):
        rows.append(chunk)
        report((i + 1) / len(starts))
    table = np.concatenate(rows)
    return CoarseTrack(
        hop_samples=hop,
        first_sample=first,
        f0_hz=table[:, 0],
        normalised_difference=table[:, 1],
        power=table[:, 2],
        strongest_hz=table[:, 3],
    )
