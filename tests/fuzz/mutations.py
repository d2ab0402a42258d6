"""Changes of valid input, by seed: of bytes, of texts, of a JSON document's tree."""

from __future__ import annotations

import copy
import pickle
import random
import struct
from collections.abc import Sequence
from typing import Any

ODD_VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, 1, -1, 2, 10, 10**18, 10**25, 10**400, -(10**400), 0.5, -0.0, 1e-320, 1e29, 1e308, -1e308),
    *(float("nan"), float("inf"), float("-inf"), "", " ", "x", "x" * 3000, "\ud800", "\x00\x1b[31m", "1", "NaN"),
    *("attention", "fault", "pass", "sine", "2026-03-01T12:00:00+00:00", "10000-01-01", "0001-01-01T00:00:00+14:00"),
    *([], {}, [[]], [None], [1, 2, 3], ["x"], {"x": 1}, {"value": 1.0, "sigma": 0.0}, {"value": "x"}, [{}]),
)
"""Of every type of JSON: bounds, odd numbers, odd texts, words that stand in documents."""

TOKENS: tuple[bytes, ...] = (
    *(b"\r", b"\n", b"\r\n", b"\0", b"\xff", b"\xef\xbb\xbf", b'"', b"'", b"'''", b"\\", b"\\u", b"=", b"[", b"]"),
    *(b"{", b"}", b",", b";", b":", b".", b"-", b"+", b"e", b"nan", b"inf", b"1e400", b"1e-320", b"0x", b"true"),
    *(b"9" * 400, b"9" * 5000, b"[" * 2000, b"x" * 2000, b"1979-05-27T07:32:00Z", b"\xe2\x80\xae", b"\x1b[2J"),
)


def mutate_bytes(rng: random.Random, data: bytes, *, head: int | None = None) -> bytes:
    """Change bytes at a few places, of the first `head` bytes alone where that is given."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        end = min(len(out), head or len(out))
        at = rng.randrange(end + 1)
        to = min(end, at + rng.choice((1, 1, 2, 4, 16, 200)))
        kind = rng.randrange(8)
        if kind == 0:
            out[at:to] = bytes(rng.randrange(256) for _ in range(to - at))
        elif kind == 1:
            del out[at:to]
        elif kind == 2:
            out[at:at] = rng.choice(TOKENS)
        elif kind == 3:
            out[at:to] = rng.choice(TOKENS)
        elif kind == 4:
            out[at:at] = out[at:to] * rng.choice((1, 2, 50))
        elif kind == 5:
            del out[at:]
        elif kind == 6 and at < end:
            out[at] ^= 1 << rng.randrange(8)
        elif kind == 7:
            number = struct.pack(
                "<I", rng.choice((0, 1, 2, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, rng.randrange(1 << 32)))
            )
            out[at : at + 4] = number
    return bytes(out)


def mutate_tree(rng: random.Random, document: Any) -> Any:
    """Change a document at one to four places: a value, a key that is gone or doubled, a list cut or grown."""
    tree = {"": pickle.loads(pickle.dumps(document))}  # as copy.deepcopy, in a tenth of its time
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        _change(rng, *_somewhere(rng, tree))
    return tree[""]


def _somewhere(rng: random.Random, tree: Any) -> tuple[Any, Any]:
    """Pick a place, going down step by step, so that large lists of numbers do not get all of the changes."""
    holder, key = tree, ""
    while True:
        node = holder[key]
        keys: Sequence[Any] = (
            list(node) if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ()
        )
        if not keys or rng.random() < 0.15:
            return holder, key
        holder, key = node, rng.choice(keys)


def _change(rng: random.Random, holder: Any, key: Any) -> None:
    node, kind = holder[key], rng.randrange(7)
    if kind == 0 and key != "":
        del holder[key]
    elif kind == 1 and isinstance(node, list):
        node.extend(copy.deepcopy(node[: rng.choice((1, 3, 40))]))
    elif kind == 2 and isinstance(node, list):
        rng.shuffle(node)
    elif kind == 3 and isinstance(node, (int, float)) and not isinstance(node, bool) and abs(node) < 1e300:
        holder[key] = node * rng.choice((-1, 0, 1e-300, 1e-12, 0.1, 3, 1e6, 1e25))
    elif kind == 4 and isinstance(node, str):
        holder[key] = rng.choice((node[: len(node) // 2], node * 60, f"{node}\n{node}", node.upper(), f"{node}\ud800"))
    elif kind == 5 and isinstance(node, dict) and len(node) > 1:
        one, other = rng.sample(sorted(node), 2)
        node[one], node[other] = node[other], node[one]
    else:
        holder[key] = copy.deepcopy(rng.choice(ODD_VALUES))
