"""All classes of takes, by name."""

from __future__ import annotations

from tests.takes import class_single
from tests.takes.files import TakeClass

CLASSES: dict[str, TakeClass] = {one.name: one for one in (class_single.SINGLE, class_single.PAIR, class_single.NEAR)}
