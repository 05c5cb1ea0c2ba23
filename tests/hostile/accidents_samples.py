"""What befalls a file of samples: in its header, and in its samples."""

from __future__ import annotations

import struct
from random import Random

from tests.hostile.accidents import (
    Accident,
    cut_short,
    flip_bit,
    lose_bytes,
    put,
    random_bytes,
)


def other_field(chance: Random, data: bytes) -> bytes:
    """A field of the header holds another number."""
    if len(data) < 48:
        return data
    at, form = chance.choice(
        (
            (4, "<I"),
            (16, "<I"),
            (20, "<H"),
            (22, "<H"),
            (24, "<I"),
            (28, "<I"),
            (32, "<H"),
            (34, "<H"),
            (40, "<I"),
        )
    )
    most = 2 ** (8 * struct.calcsize(form)) - 1
    number = (
        chance.choice(
            (
                0,
                1,
                2,
                3,
                7,
                8,
                24,
                255,
                8000,
                44100,
                most,
                most // 2,
                most // 2 + 1,
                len(data),
                len(data) * 2,
                chance.randint(0, most),
            )
        )
        & most
    )
    return put(data, at, at + struct.calcsize(form), struct.pack(form, number))


def other_head(chance: Random, data: bytes) -> bytes:
    """Bytes of the first hundred are others."""
    at = chance.randrange(min(100, len(data) + 1))
    return put(data, at, at + chance.randrange(1, 5), chance.randbytes(chance.randrange(1, 5)))


def other_samples(chance: Random, data: bytes) -> bytes:
    """A stretch of samples is all one, noise, or not there."""
    at, count = chance.randrange(44, max(45, len(data))), 2 * chance.randrange(1, 4000)
    new = chance.choice((b"\x00" * count, b"\xff\x7f" * (count // 2), chance.randbytes(count), b""))
    return put(data, at, at + count, new)


def chunk(chance: Random, data: bytes) -> bytes:
    """One more chunk before the samples, as writers put it there; or one that lies."""
    size = chance.choice((0, 1, 10, 2**31, 2**32 - 1))
    body = chance.randbytes(min(size, 10))
    return put(
        data,
        12,
        12,
        chance.choice((b"LIST", b"bext", b"junk", b"data", b"\x00\x00\x00\x00"))
        + struct.pack("<I", size)
        + body,
    )


SAMPLES: tuple[Accident, ...] = (other_samples, other_samples, flip_bit)
_WILD_SAMPLES: tuple[Accident, ...] = (
    other_field,
    other_field,
    other_head,
    cut_short,
    chunk,
    lose_bytes,
    random_bytes,
)


def recorded(chance: Random, data: bytes) -> bytes:
    """A file of samples after one to three accidents."""
    kinds = SAMPLES if chance.random() < 0.4 else _WILD_SAMPLES
    for _ in range(chance.randint(1, 3)):
        data = chance.choice(kinds)(chance, data)
    return data
