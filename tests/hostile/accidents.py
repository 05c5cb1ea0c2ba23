"""What befalls a file: mild accidents, after which it may still be right, and wild ones.

Every function takes a seeded source of chance, so that the same seed does the same harm.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Sequence
from random import Random

JUNK = (
    b"\x00",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\t",
    b"{",
    b"}",
    b"[",
    b"]",
    b": ",
    b"- ",
    b"&a ",
    b"*a",
    b"!!x ",
    b"---\n",
    b"|",
    b">",
    b"'",
    b'"',
    b"#",
    b",",
    b";",
    b"\r",
    b"\n",
    b"\x0b",
    b"\x1b[0m",
    b"\xe2\x80\xa8",
    b"\xc2\x85",
    b"\xe2\x80\xae",
    b"\xed\xa0\x80",
    b"\xf0\x9f\x94\xa5",
    b"\xd9\xa3",
    b"\xef\xbc\x95",
    b"\xc2\xb2",
    b"?",
    b"<<",
    b"%",
    b"$(x)",
    b"`x`",
    b"../" * 9,
    b"\\",
    b"(" * 300,
    b"[" * 300,
    b"9" * 400,
    b" " * 3000,
    b".control\nshell touch x\n.endc\n",
    b"=cmd|' /C x'!A0",
    b"<script>",
    b"%s%n",
    b"\xcc\x81" * 40,
)
"""Bytes that some reader somewhere has stumbled over."""
NUMBERS = (
    b"0",
    b"-1",
    b"-0",
    b"1e999",
    b"1e-999",
    b"nan",
    b"inf",
    b"-inf",
    b"1e308",
    b"5e-324",
    b"0x10",
    b"010",
    b"1_000",
    b"1,5",
    b"1.5.2",
    b"4k7",
    b"4K7",
    b"1:30",
    b"~",
    b"",
    b"+",
    b"--1",
    b"1e",
    b"k",
    b"1 000",
    b"\xe2\x88\x921",
    b"1/0",
    b"9" * 30,
    b"0." + b"0" * 40 + b"1",
    b"< 3",
    b"> 3",
    b"OL",
    b"1 Tohm",
    b"1 pV",
    b"3 dB",
    b"1 kHz",
    b"-400 dB",
    b"100 %",
    b"true",
    b"no",
)
"""In the place of a number."""
NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
_WORD = re.compile(rb"[A-Za-z_][A-Za-z0-9_.]*")
Accident = Callable[[Random, bytes], bytes]


def _lines(data: bytes) -> list[bytes]:
    return data.split(b"\n")


def _put(data: bytes, start: int, end: int, new: bytes) -> bytes:
    return data[:start] + new + data[end:]


def lose_line(chance: Random, data: bytes) -> bytes:
    """One line is not there."""
    lines = _lines(data)
    del lines[chance.randrange(len(lines))]
    return b"\n".join(lines)


def double_line(chance: Random, data: bytes) -> bytes:
    """One line stands once more, somewhere."""
    lines = _lines(data)
    lines.insert(chance.randrange(len(lines) + 1), chance.choice(lines))
    return b"\n".join(lines)


def swap_lines(chance: Random, data: bytes) -> bytes:
    """Two lines stand in each other's place."""
    lines = _lines(data)
    i, j = chance.randrange(len(lines)), chance.randrange(len(lines))
    lines[i], lines[j] = lines[j], lines[i]
    return b"\n".join(lines)


def swap_values(chance: Random, data: bytes) -> bytes:
    """What stands behind two colons is exchanged."""
    lines = _lines(data)
    i, j = chance.randrange(len(lines)), chance.randrange(len(lines))
    one, other = lines[i].rsplit(b":", 1), lines[j].rsplit(b":", 1)
    lines[i], lines[j] = one[0] + b":" + other[-1], other[0] + b":" + one[-1]
    return b"\n".join(lines)


def strew(chance: Random, data: bytes) -> bytes:
    """Junk in the place of some bytes."""
    at = chance.randrange(len(data) + 1)
    return _put(data, at, at + chance.randrange(13), chance.choice(JUNK))


def lose_bytes(chance: Random, data: bytes) -> bytes:
    """Some bytes are not there."""
    at = chance.randrange(len(data) + 1)
    return _put(data, at, at + chance.randrange(1, 13), b"")


def random_bytes(chance: Random, data: bytes) -> bytes:
    """Some bytes are others."""
    at, count = chance.randrange(len(data) + 1), chance.randrange(1, 7)
    return _put(data, at, at + count, chance.randbytes(count))


def flip_bit(chance: Random, data: bytes) -> bytes:
    """One bit is the other one."""
    if not data:
        return data
    at = chance.randrange(len(data))
    return _put(data, at, at + 1, bytes([data[at] ^ 1 << chance.randrange(8)]))


def cut_short(chance: Random, data: bytes) -> bytes:
    """As a full disk leaves it."""
    return data[: chance.randrange(len(data) + 1)]


def other_number(chance: Random, data: bytes) -> bytes:
    """Something else stands in the place of a number."""
    found = list(NUMBER.finditer(data))
    if not found:
        return data
    one = chance.choice(found)
    return _put(data, one.start(), one.end(), chance.choice(NUMBERS))


def other_word(chance: Random, data: bytes) -> bytes:
    """A word of the file stands in the place of another."""
    found = list(_WORD.finditer(data))
    if not found:
        return data
    one = chance.choice(found)
    return _put(data, one.start(), one.end(), chance.choice(found)[0])


def misspell(chance: Random, data: bytes) -> bytes:
    """Two letters of a word are exchanged."""
    found = [one for one in _WORD.finditer(data) if len(one[0]) > 2]
    if not found:
        return data
    one = chance.choice(found)
    at = one.start() + chance.randrange(len(one[0]) - 1)
    return _put(data, at, at + 2, data[at + 1 : at + 2] + data[at : at + 1])


def other_ends(chance: Random, data: bytes) -> bytes:
    """Line ends of another system."""
    return data.replace(b"\n", chance.choice((b"\r\n", b"\r", b"\n\n", b"\xe2\x80\xa8")))


def other_code(chance: Random, data: bytes) -> bytes:
    """Saved in another code."""
    text = data.decode("utf-8", "replace")
    code = chance.choice(("utf-16", "utf-8-sig", "utf-32", "latin-1", "cp1252", "utf-16-be"))
    return text.encode(code, "replace")


def grown(chance: Random, data: bytes) -> bytes:
    """A line stands a thousand times, or the file is twice as long as any may be."""
    lines = _lines(data)
    k = chance.randrange(len(lines))
    lines[k:k] = [lines[k]] * chance.choice((1000, 3000, 1 + 2_000_000 // max(1, len(lines[k]))))
    return b"\n".join(lines)[:3_000_000]


def deep(chance: Random, data: bytes) -> bytes:
    """A value within value within value."""
    depth, (left, right) = (
        chance.choice((20, 200, 5000)),
        chance.choice(((b"[", b"]"), (b"(", b")"), (b"{a: ", b"}"))),
    )
    found = list(NUMBER.finditer(data))
    at = chance.choice(found).start() if found else 0
    return _put(data, at, at, left * depth + b"1" + right * depth)


def near_number(chance: Random, data: bytes) -> bytes:
    """A number is a little another one, with as many digits."""
    found = [one for one in NUMBER.finditer(data) if re.search(rb"[1-9]", one[0])]
    if not found:
        return data
    one = chance.choice(found)
    at = chance.choice([k for k in range(one.start(), one.end()) if data[k : k + 1].isdigit()])
    digit = str(chance.randrange(1, 10)).encode()
    return _put(data, at, at + 1, digit)


def blank_line(chance: Random, data: bytes) -> bytes:
    """An empty line, or a remark, where none was."""
    lines = _lines(data)
    lines.insert(chance.randrange(len(lines) + 1), chance.choice((b"", b"# looked at", b"  ")))
    return b"\n".join(lines)


def blanks_behind(chance: Random, data: bytes) -> bytes:
    """Blanks at the end of a line."""
    lines = _lines(data)
    lines[chance.randrange(len(lines))] += b" " * chance.randrange(1, 5)
    return b"\n".join(lines)


def marked(chance: Random, data: bytes) -> bytes:
    """With a mark of the byte order."""
    return b"\xef\xbb\xbf" + data.removeprefix(b"\xef\xbb\xbf")


def carriage(chance: Random, data: bytes) -> bytes:
    """Lines as some systems end them."""
    return data.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n")


MILD: tuple[Accident, ...] = (
    near_number,
    near_number,
    blank_line,
    blanks_behind,
    marked,
    carriage,
    lose_line,
)
WILD: tuple[Accident, ...] = (
    lose_line,
    double_line,
    swap_lines,
    swap_values,
    strew,
    strew,
    lose_bytes,
    random_bytes,
    flip_bit,
    cut_short,
    other_number,
    other_number,
    other_word,
    other_word,
    misspell,
    other_ends,
    other_code,
    deep,
)
_RARE = 0.01
"""How often a file is much longer than any."""


def befallen(chance: Random, data: bytes, mild: Sequence[Accident] = MILD) -> bytes:
    """A file after one to three accidents: of each two, one file has had mild ones alone."""
    if chance.random() < _RARE:
        return grown(chance, data)
    kinds = mild if chance.random() < 0.5 else WILD
    for _ in range(chance.randint(1, 3)):
        data = chance.choice(kinds)(chance, data)
    return data


# -- tables ----------------------------------------------------------------------------------------


def _cells(data: bytes) -> list[list[bytes]]:
    return [line.split(b",") for line in _lines(data)]


def _table(rows: list[list[bytes]]) -> bytes:
    return b"\n".join(b",".join(row) for row in rows)


def quoted_cell(chance: Random, data: bytes) -> bytes:
    """A cell in quotes that needs none."""
    rows = _cells(data)
    row = chance.choice(rows)
    k = chance.randrange(len(row))
    if b'"' not in row[k] and not row[0].startswith(b"#"):
        row[k] = b'"' + row[k] + b'"'
    return _table(rows)


def padded_rows(chance: Random, data: bytes) -> bytes:
    """Rows as wide as the widest, as spreadsheets save them."""
    rows = _cells(data)
    wide = max(map(len, rows))
    return _table([row + [b""] * (wide - len(row)) if any(row) else row for row in rows])


def empty_cell(chance: Random, data: bytes) -> bytes:
    """A value that was not read after all."""
    rows = _cells(data)
    full = [(row, k) for row in rows for k in range(len(row)) if NUMBER.fullmatch(row[k].strip())]
    if full:
        row, k = chance.choice(full)
        row[k] = b""
    return _table(rows)


def semicolons(chance: Random, data: bytes) -> bytes:
    """Cells divided as where the comma is the decimal mark."""
    if b'"' in data or b";" in data:
        return data
    return data.replace(b",", b";")


MILD_TABLE: tuple[Accident, ...] = (*MILD[:-1], quoted_cell, padded_rows, empty_cell, semicolons)


# -- files of samples ------------------------------------------------------------------------------


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
    return _put(data, at, at + struct.calcsize(form), struct.pack(form, number))


def other_head(chance: Random, data: bytes) -> bytes:
    """Bytes of the first hundred are others."""
    at = chance.randrange(min(100, len(data) + 1))
    return _put(data, at, at + chance.randrange(1, 5), chance.randbytes(chance.randrange(1, 5)))


def other_samples(chance: Random, data: bytes) -> bytes:
    """A stretch of samples is all one, noise, or not there."""
    at, count = chance.randrange(44, max(45, len(data))), 2 * chance.randrange(1, 4000)
    new = chance.choice((b"\x00" * count, b"\xff\x7f" * (count // 2), chance.randbytes(count), b""))
    return _put(data, at, at + count, new)


def chunk(chance: Random, data: bytes) -> bytes:
    """One more chunk before the samples, as writers put it there; or one that lies."""
    size = chance.choice((0, 1, 10, 2**31, 2**32 - 1))
    body = chance.randbytes(min(size, 10))
    return _put(
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
