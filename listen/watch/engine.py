"""From the bytes of a feed to events: format, take on disc, readings, losses, findings, and the closing check."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable

from listen.api.checking import check
from listen.capture.codes import no_samples
from listen.errors import CaptureError, ListenError, OptionError
from listen.track import StreamTracker, give_back_memory
from listen.watch.alternation import Alternation
from listen.watch.feeds import Feed, Piece, Reason, together
from listen.watch.losses import Arrivals, rate_in_words
from listen.watch.passing import PassingFindings
from listen.watch.pcm import Floats, StreamFormat, begins_as_wav, read_wav_header, samples_of
from listen.watch.readings import is_clipped, newest_rows, reading_of
from listen.watch.settings import Settings
from listen.watch.spool import Spool
from listen.watch.types import Event, IntervalReading, LostTime, Reading, SourceChanged, Start, Summary
from listen.watch.window import Ring, Window

WINDOW_S = 1.0
_LOW_WINDOW_S, _LOW_HZ = 2.0, 30.0
_SILENT_WINDOW_S = 0.5
"""Of silence and hiss less is looked at: what may be a tone in them costs more than a tone."""
_DEAR_WINDOW_S, _DEAR_EVERY_S = 0.4, 0.06
"""Speech is many short tones, each dear to begin: less of it is looked at, and no more often. A state looks back by
0.3 s."""
_ROWS_S = 0.3
"""So much is measured: a state looks back by 0.2 s, and the offset of a row, whose frame is whole 0.03 s after it, is a
mean over 0.25 s before."""
_STATE_S = 0.25
_LOW_EVERY_S = 0.1
_DEAR, _CHEAP = 0.16, 0.08
"""Of a step's time: what measuring may take before that, and under which it is over."""
_AT_REST = 1.6
"""Times as much may be spent on a tone at rest: it is looked at as closely on a machine that does other things too."""
_BACKLOG_S = 0.25
"""What waits is gone through in steps of no more than this, so that no note is skipped."""
_BEHIND_S = 0.3
_LONGEST_STEP_S = 0.5
_WAIT_S = 0.02
_FLOWING_S = 0.1
"""So long after the last piece the next step is waited for; then it is asked more often whether the source is gone."""
_GIVE_BACK_EVERY_S = 30.0
_CLIPPING_EVERY_S = 0.05


class Engine:
    """Watches one feed.

    Parameters
    ----------
    feed : Feed
    settings : Settings
    tell : callable
        Called with each event, in the thread that runs.

    Attributes
    ----------
    taps : list of callable
        Called with all samples of the channel, as they come.
    judged : bool
        Whether the summary was told.
    """

    def __init__(self, feed: Feed, settings: Settings, tell: Callable[[Event], None]) -> None:
        self._feed, self._settings, self._tell = feed, settings, tell
        self._stop = threading.Event()
        self._head = b""
        self._form: StreamFormat | None = None
        self._spool: Spool | None = None
        self._remaining_bytes: int | None = None
        self._reason: Reason = "interrupted"
        self._dear = False
        self._step = 1
        self.taps: list[Callable[[Floats], None]] = []
        self.judged = False

    @property
    def take_path(self) -> os.PathLike[str] | None:
        """The take on disc, once there is one."""
        return self._spool.path if self._spool is not None else None

    @property
    def heard_s(self) -> float:
        """Seconds received."""
        return self._ring.stop / self._form.sample_rate_hz if self._form is not None else 0.0

    def stop(self) -> None:
        """End soon; may be called from anywhere, a signal's handler too."""
        self._stop.set()

    def hear(self) -> Reason:
        """Read until the feed ends or `stop` was called.

        Raises
        ------
        ListenError
            The stream cannot be used, or the take cannot be written.
        """
        reason = self._reason
        last_s = time.monotonic()
        while not self._stop.is_set():
            soon = time.monotonic() - last_s < _FLOWING_S
            pieces = self._feed.take(_WAIT_S + (self._settings.every_s if soon else 0.0), self._wanted_bytes())
            for news in self._feed.news():
                self._tell(SourceChanged(time_s=self.heard_s, rate_hz=news.rate_hz, sentence=news.sentence))
            for group in together(pieces, self._step_bytes()):
                self._take(group)
                last_s = group[-1].at_s
                if self._stop.is_set() or self._whole():
                    break
            if self._whole():
                reason = "end of stream"
                break
            if not pieces:
                ended = self._feed.ended
                if ended is not None:
                    reason = ended
                    break
                self._nothing_came(time.monotonic() - last_s)
        self._feed.close()
        self._reason = reason
        return reason

    def close(self) -> Summary:
        """Check the whole take and tell the summary; the take is whole afterwards."""
        reason = self._reason
        if self._spool is None:
            name = self._feed.name
            problem = f"{name}: ends within its header; record it again" if self._head else f"{name}: nothing came"
            return self._reported(Summary(reason=reason, heard_s=0.0, lost_s=0.0, result=None, problem=problem))
        self.finish()
        result, problem = None, ""
        try:
            result = check(self._spool.path, **self._settings.check)
        except ListenError as error:
            problem = str(error).replace(os.fspath(self._spool.path), self._feed.name)
        return self._reported(
            Summary(reason=reason, heard_s=self.heard_s, lost_s=self._arrivals.lost_s, result=result, problem=problem)
        )

    def save(self) -> None:
        """Make the take whole at once; may be called from anywhere."""
        if self._spool is not None:
            self._spool.finish()

    def finish(self) -> None:
        """Make the take whole without looking at it, and wait for those who do."""
        self.save()
        if self._spool is not None:
            self._passing.finish()

    def discard(self) -> None:
        """Remove the take, unless it is kept."""
        if self._spool is not None:
            self._spool.discard()

    def unjudged(self, problem: str) -> Summary:
        """Return the summary of a take that nobody checked."""
        lost_s = self._arrivals.lost_s if self._spool is not None else 0.0
        return Summary(reason=self._reason, heard_s=self.heard_s, lost_s=lost_s, result=None, problem=problem)

    def _reported(self, summary: Summary) -> Summary:
        self.judged = True
        self._tell(summary)
        return summary

    def _whole(self) -> bool:
        """Whether all was heard that was asked for, or that the header promised."""
        if self._form is None:
            return False
        enough = self._settings.seconds is not None and self.heard_s >= self._settings.seconds
        return enough or self._remaining_bytes == 0

    def _step_bytes(self) -> int:
        return self._step * self._form.frame_bytes if self._form is not None else 1

    def _wanted_bytes(self) -> int:
        """Bytes to the next measurement; any where a file is read as quickly as it is taken."""
        if self._form is None or not self._feed.live:
            return 1
        wanted = (self._measured + self._step - self._ring.stop) * self._form.frame_bytes - len(self._head)
        return max(1, wanted if self._remaining_bytes is None else min(wanted, self._remaining_bytes))

    def _take(self, pieces: list[Piece]) -> None:
        """Take pieces that are worked on together."""
        data = b"".join([self._head, *(piece.data for piece in pieces)])
        self._head = b""
        if self._form is None:
            begun = self._begin(data)
            if begun is None:
                self._head = data
                return
            data = begun
        form = self._form
        assert form is not None
        after = len(data)
        if self._remaining_bytes is not None:
            data = data[: self._remaining_bytes]
        if self._settings.seconds is not None:
            wanted = round(self._settings.seconds * form.sample_rate_hz) - self._ring.stop
            data = data[: max(0, wanted) * form.frame_bytes]
        whole = len(data) // form.frame_bytes * form.frame_bytes
        self._head = data[whole:]
        if whole == 0:
            return
        if self._remaining_bytes is not None:
            self._remaining_bytes -= whole
        assert self._spool is not None
        self._spool.write(data[:whole])
        newest_s = pieces[-1].at_s
        lost_s = self._arrivals.took(pieces, after, whole, live=self._feed.live)
        step = self._pace(newest_s) * form.frame_bytes
        for at in range(0, whole, step):
            self._add(data[at : min(whole, at + step)])
        if lost_s > 0.0:
            self._tell(LostTime(time_s=self.heard_s, seconds=round(lost_s, 3)))
        rate_hz = self._arrivals.changed_rate_hz(newest_s) if self._feed.live else None
        if rate_hz is not None:
            sentence = rate_in_words(rate_hz, form.sample_rate_hz)
            self._tell(SourceChanged(time_s=self.heard_s, rate_hz=rate_hz, sentence=sentence))

    def _pace(self, at_s: float) -> int:
        """Samples from one measurement to the next: more of them where the measuring lags behind the source."""
        assert self._form is not None
        behind = time.monotonic() - at_s > _BEHIND_S
        least_s = _LOW_EVERY_S if self._low else _DEAR_EVERY_S if self._dear else 0.0
        every_s = max(self._settings.every_s, least_s)
        seconds = max(every_s, _BACKLOG_S) if behind else every_s
        self._step = max(1, round(min(seconds, _LONGEST_STEP_S) * self._form.sample_rate_hz))
        return self._step

    def _begin(self, data: bytes) -> bytes | None:
        """Find out what the samples are; return what comes after the header."""
        if begins_as_wav(data[:12]) and not (self._settings.raw is not None and self._feed_is_raw()):
            if len(data) < 12:
                return None
            read = read_wav_header(data)
            if read is None:
                return None
            form, at = read
            data = data[at:]
        elif self._settings.raw is not None:
            form = self._settings.raw
        else:
            raise OptionError(
                f"{self._feed.name} is no WAV stream, and raw samples do not say their rate",
                "add --rate 48000 (and --format, --channels), or send WAV",
            )
        self._start(form)
        return data

    def _feed_is_raw(self) -> bool:
        return bool(getattr(self._feed, "raw", False))

    def _start(self, form: StreamFormat) -> None:
        settings = self._settings
        if settings.channel > form.channels:
            raise OptionError(
                f"--channel {settings.channel}: {self._feed.name} has {form.channels}",
                "channels count from 1",
            )
        self._form = form
        self._remaining_bytes = form.data_bytes
        self._rate_hz = form.sample_rate_hz * (1.0 + 1e-6 * settings.clock_error_ppm)
        self._spool = Spool(form, settings.keep)
        self._ring = Ring(round((_LOW_WINDOW_S + 0.5) * form.sample_rate_hz))
        self._arrivals = Arrivals(form.sample_rate_hz, form.frame_bytes)
        self._passing = PassingFindings(self._spool.path, settings.check)
        self._interval = Alternation(settings.interval_ratio) if settings.interval_ratio else None
        self._measured = self._scanned = 0
        self._clipping = (False, 0.0)
        self._shown_s = -1.0
        self._memory_released_s = time.monotonic()
        self._last: Reading | None = None
        self._nothing_said_s = 0.0
        self._tracker = StreamTracker(self._rate_hz)
        self._tell(Start(sample_rate_hz=form.sample_rate_hz, channels=form.channels, channel=settings.channel))

    def _add(self, data: bytes) -> None:
        """Take no more than one step of samples, and measure where it is time."""
        form = self._form
        assert form is not None
        samples = samples_of(data, form, self._settings.channel)
        if form.encoding.startswith("f"):
            bad = no_samples(samples)
            if bad.any():
                samples[bad] = 0.0
        self._ring.add(-samples if self._settings.inverted else samples)
        for tap in self.taps:
            tap(samples)
        step = self._step
        if self._ring.stop - self._measured >= step and not self._stop.is_set():
            self._measured += (self._ring.stop - self._measured) // step * step
            self._measure()

    @property
    def _low(self) -> bool:
        """Whether the last note is a low one: its frames are so long that more readings a second say no more."""
        return self._last is not None and self._last.f0_hz is not None and self._last.f0_hz < _LOW_HZ

    def _looked_at_s(self) -> float:
        """Return how far back tones are looked for."""
        if self._last is not None and self._last.state == "silent":
            return _SILENT_WINDOW_S
        if self._low:
            return _LOW_WINDOW_S
        return _DEAR_WINDOW_S if self._dear else WINDOW_S

    def _measure(self) -> None:
        form, stop = self._form, self._ring.stop
        assert form is not None
        window = Window(
            ring=self._ring,
            start_sample=self._ring.start,
            stop_sample=stop,
            sample_rate_hz=form.sample_rate_hz,
            true_rate_hz=self._rate_hz,
            subtype=form.subtype,
            ac_coupling_hz=self._settings.ac_coupling_hz,
        )
        seconds = self._looked_at_s()
        start = max(window.start_sample, stop - round(seconds * form.sample_rate_hz))
        rows_from_s = min(stop / self._rate_hz - _ROWS_S, self._shown_s - _STATE_S)
        begun_s = time.thread_time()
        frames = self._tracker.newest(window, start, round(rows_from_s * self._rate_hz), self._settings.recorder)
        spent = (time.thread_time() - begun_s) * self._rate_hz / self._step
        at_rest = self._last is not None and self._last.state == "steady"
        self._dear = spent > (_CHEAP if self._dear else _DEAR) * (_AT_REST if at_rest else 1.0)
        rows = newest_rows(frames, window.stop_sample / self._rate_hz, self._shown_s, self._settings.every_s)
        if window.stop_sample - self._scanned >= _CLIPPING_EVERY_S * window.sample_rate_hz:
            self._clipping, self._scanned = is_clipped(window), window.stop_sample
        clipped, peak_fs = self._clipping
        heard_s = round(self.heard_s, 6)
        for row in rows:
            note_hz = self._settings.note_hz
            reading = reading_of(frames, row, heard_s=heard_s, peak_fs=peak_fs, clipped=clipped, note_hz=note_hz)
            self._last = reading
            self._shown_s = reading.time_s
            self._tell(reading)
            interval: IntervalReading | None = self._interval.add(reading) if self._interval is not None else None
            if interval is not None:
                self._tell(interval)
        if self._settings.findings:
            tone = self._last is not None and self._last.state not in ("silent", "lost")
            for change in self._passing.heard(heard_s, tone=tone):
                self._tell(change)
        now_s = time.monotonic()
        if now_s - self._memory_released_s > _GIVE_BACK_EVERY_S:
            self._memory_released_s = now_s
            give_back_memory()

    def _nothing_came(self, since_s: float) -> None:
        """Blank the reading where a source with a pace has stopped."""
        if self._form is None or not self._feed.live or since_s < self._arrivals.longest_pause_s():
            return
        if self._last is not None and self._last.state == "lost" and self._nothing_said_s + 0.1 > time.monotonic():
            return
        self._nothing_said_s = time.monotonic()
        nothing = dict.fromkeys(
            ("f0_hz", "cents", "level_dbfs", "thd_percent", "h2_dbc", "h3_dbc", "crest_positive", "crest_negative")
        )
        self._last = Reading(
            time_s=round(self.heard_s, 7),
            heard_s=round(self.heard_s, 6),
            f0_sigma_cents=None,
            peak_fs=0.0,
            state="lost",
            **nothing,
        )
        self._tell(self._last)


def nothing_judged(summary: Summary) -> CaptureError:
    """Return the one line for a take that could not be judged."""
    what, _, remedy = (summary.problem or "nothing came").partition("; ")
    return CaptureError(what, remedy or "check the source")
