"""Nothing of the recorder is blamed on the circuit: a slice; ``tests.takes.through_recorder`` has the rest."""

from __future__ import annotations

import pytest

from tests.takes.through_recorder import distortion_of, hear

TAKES = 6


@pytest.mark.parametrize("seed", range(TAKES))
def test_a_board_through_a_poor_recorder(seed: int) -> None:
    heard = hear(seed, distortion_of(seed))
    assert heard.halves_unknown == []
    assert heard.halves_wrong == []
    assert heard.blamed == []
    if heard.half is not None:
        assert heard.found
