"""A board that nobody looks at: the first rest is its reference."""

from __future__ import annotations

import threading

from listen.watch.screen.board import Board
from listen.watch.types import Event


class Follower:
    """Tells by how much the readings are better than those of the first rest."""

    def __init__(self, quantity: str = "clean") -> None:
        self._board = Board(quantity=quantity)
        self._lock = threading.Lock()

    def tell(self, event: Event) -> None:
        """Take an event."""
        with self._lock:
            self._board.take(event)
            if self._board.reference_s is None and self._board.at_rest:
                self._board.hold()

    def better_db(self) -> float | None:
        """Return by how much it is better now; None while nothing is at rest."""
        with self._lock:
            return self._board.better_by(self._board.quantity)
