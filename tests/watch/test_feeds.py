"""Pieces from the thread that reads to the one that measures: several at once, none late, none early."""

from __future__ import annotations

import itertools
import threading
import time

import pytest

from listen.watch.feeds import Piece, Waiting, together
from listen.watch.losses import Arrivals

BLOCK = bytes(1920)


def test_who_measures_wakes_once_for_several_pieces(monkeypatch):
    waiting, woken = Waiting(), []
    monkeypatch.setattr(waiting._changed, "notify_all", lambda: woken.append(waiting._bytes))
    assert waiting.take(0.0, 5 * len(BLOCK)) == []
    woken.clear()
    for i in range(5):
        waiting.put(BLOCK, float(i))
    assert woken == [5 * len(BLOCK)]
    assert [piece.at_s for piece in waiting.take(1.0, 5 * len(BLOCK))] == [0.0, 1.0, 2.0, 3.0, 4.0]


def test_less_than_enough_is_handed_over_after_the_timeout_and_at_the_end():
    waiting = Waiting()
    waiting.put(BLOCK, 0.0)
    begun_s = time.monotonic()
    assert len(waiting.take(0.05, 5 * len(BLOCK))) == 1
    assert time.monotonic() - begun_s >= 0.045
    waiting.put(BLOCK, 0.0)
    threading.Timer(0.05, waiting.end, ["end of stream"]).start()
    begun_s = time.monotonic()
    assert len(waiting.take(30.0, 5 * len(BLOCK))) == 1
    assert time.monotonic() - begun_s < 10.0
    assert waiting.ended == "end of stream"


@pytest.mark.parametrize("sizes", [[], [3], [9], [3, 3, 3, 3], [9, 1, 1], [1, 9, 1], [2, 3, 5, 1]])
def test_groups_hold_no_more_than_a_step(sizes):
    pieces = [Piece(bytes(size), float(i)) for i, size in enumerate(sizes)]
    groups = list(together(pieces, 6))
    assert [piece for group in groups for piece in group] == pieces
    assert all(len(group) == 1 or sum(len(piece.data) for piece in group) <= 6 for group in groups)
    assert all(sum(len(piece.data) for piece in a) + len(b[0].data) > 6 for a, b in itertools.pairwise(groups))


def arrivals(grouped: int, lost_after: int) -> tuple[list[float], Arrivals]:
    """Blocks of 10 ms after a header of 44 bytes, each other one 3 ms late; 0.3 s are lost on the way."""
    seen = Arrivals(48_000, 4)
    pieces = [Piece(BLOCK, 0.01 * i + (0.003 if i % 2 else 0.0) + (0.3 if i > lost_after else 0.0)) for i in range(800)]
    pieces[0] = Piece(bytes(44) + BLOCK, 0.0)
    losses = []
    for at in range(0, len(pieces), grouped):
        some = pieces[at : at + grouped]
        n_bytes = sum(len(piece.data) for piece in some) - (44 if at == 0 else 0)
        losses.append(seen.took(some, n_bytes, n_bytes, live=True))
    return [lost_s for lost_s in losses if lost_s > 0.0], seen


def test_what_was_lost_is_the_same_for_pieces_taken_together():
    alone, one = arrivals(1, 300)
    grouped, five = arrivals(5, 300)
    assert alone == grouped
    assert grouped == pytest.approx([0.3], abs=0.01)
    assert one.longest_pause_s() == five.longest_pause_s()
    assert arrivals(5, 10_000)[0] == []


def test_frames_that_lie_across_pieces_are_counted_once():
    """Pieces of 1.5 frames, one at a time and two together; what is left over stands before the next."""
    seen, left = Arrivals(48_000, 4), 0
    for number, grouped in enumerate([1, 1, 2, 1, 2, 2] * 20):
        pieces = [Piece(bytes(6), 0.01 * number)] * grouped
        n_bytes = left + 6 * grouped
        seen.took(pieces, n_bytes, n_bytes // 4 * 4, live=True)
        left = n_bytes % 4
    assert seen._clock._count == (6 * 9 * 20 - left) // 4
