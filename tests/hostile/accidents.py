"""What befalls a text: mild accidents, after which it may still be right, and wild ones.

Every function takes a seeded source of chance, so that the same seed does the same harm. What
befalls tables and files of samples besides stands in `accidents_table` and `accidents_samples`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from random import Random

JUNK = (
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\t", b"{", b"}", b"[", b"]", b": ", b"- ", b"&a ",
    b"*a", b"!!x ", b"---\n", b"|", b">", b"'", b'"', b"#", b",", b";", b"\r", b"\n", b"\x0b",
    b"\x1b[0m", b"\xe2\x80\xa8", b"\xc2\x85", b"\xe2\x80\xae", b"\xed\xa0\x80", b"\xf0\x9f\x94\xa5",
    b"\xd9\xa3", b"\xef\xbc\x95", b"\xc2\xb2", b"?", b"<<", b"%", b"$(x)", b"`x`", b"../" * 9,
    b"\\", b"(" * 300, b"[" * 300, b"9" * 400, b" " * 3000, b".control\nshell touch x\n.endc\n",
    b"=cmd|' /C x'!A0", b"<script>", b"%s%n", b"\xcc\x81" * 40,
)
"""Bytes that some reader somewhere has stumbled over."""
NUMBERS = (
    b"0", b"-1", b"-0", b"1e999", b"1e-999", b"nan", b"inf", b"-inf", b"1e308", b"5e-324", b"0x10",
    b"010", b"1_000", b"1,5", b"1.5.2", b"4k7", b"4K7", b"1:30", b"~", b"", b"+", b"--1", b"1e",
    b"k", b"1 000", b"\xe2\x88\x921", b"1/0", b"9" * 30, b"0." + b"0" * 40 + b"1", b"< 3", b"> 3",
    b"OL", b"1 Tohm", b"1 pV", b"3 dB", b"1 kHz", b"-400 dB", b"100 %", b"true", b"no",
)
"""In the place of a number."""
NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
_WORD = re.compile(rb"[A-Za-z_][A-Za-z0-9_.]*")
Accident = Callable[[Random, bytes], bytes]


def lines_of(data: bytes) -> list[bytes]:
    """The lines of a file, without their ends."""
    return data.split(b"\n")


def put(data: bytes, start: int, end: int, new: bytes) -> bytes:
    """A file with other bytes in the place of some."""
    return data[:start] + new + data[end:]


def lose_line(chance: Random, data: bytes) -> bytes:
    """One line is not there."""
    lines = lines_of(data)
    del lines[chance.randrange(len(lines))]
    return b"\n".join(lines)


def double_line(chance: Random, data: bytes) -> bytes:
    """One line stands once more, somewhere."""
    lines = lines_of(data)
    lines.insert(chance.randrange(len(lines) + 1), chance.choice(lines))
    return b"\n".join(lines)


def swap_lines(chance: Random, data: bytes) -> bytes:
    """Two lines stand in each other's place."""
    lines = lines_of(data)
    i, j = chance.randrange(len(lines)), chance.randrange(len(lines))
    lines[i], lines[j] = lines[j], lines[i]
    return b"\n".join(lines)


def swap_values(chance: Random, data: bytes) -> bytes:
    """What stands behind two colons is exchanged."""
    lines = lines_of(data)
    i, j = chance.randrange(len(lines)), chance.randrange(len(lines))
    one, other = lines[i].rsplit(b":", 1), lines[j].rsplit(b":", 1)
    lines[i], lines[j] = one[0] + b":" + other[-1], other[0] + b":" + one[-1]
    return b"\n".join(lines)


def strew(chance: Random, data: bytes) -> bytes:
    """Junk in the place of some bytes."""
    at = chance.randrange(len(data) + 1)
    return put(data, at, at + chance.randrange(13), chance.choice(JUNK))


def lose_bytes(chance: Random, data: bytes) -> bytes:
    """Some bytes are not there."""
    at = chance.randrange(len(data) + 1)
    return put(data, at, at + chance.randrange(1, 13), b"")


def random_bytes(chance: Random, data: bytes) -> bytes:
    """Some bytes are others."""
    at, count = chance.randrange(len(data) + 1), chance.randrange(1, 7)
    return put(data, at, at + count, chance.randbytes(count))


def flip_bit(chance: Random, data: bytes) -> bytes:
    """One bit is the other one."""
    if not data:
        return data
    at = chance.randrange(len(data))
    return put(data, at, at + 1, bytes([data[at] ^ 1 << chance.randrange(8)]))


def cut_short(chance: Random, data: bytes) -> bytes:
    """As a full disk leaves it."""
    return data[: chance.randrange(len(data) + 1)]


def other_number(chance: Random, data: bytes) -> bytes:
    """Something else stands in the place of a number."""
    found = list(NUMBER.finditer(data))
    if not found:
        return data
    one = chance.choice(found)
    return put(data, one.start(), one.end(), chance.choice(NUMBERS))


def other_word(chance: Random, data: bytes) -> bytes:
    """A word of the file stands in the place of another."""
    found = list(_WORD.finditer(data))
    if not found:
        return data
    one = chance.choice(found)
    return put(data, one.start(), one.end(), chance.choice(found)[0])


def misspell(chance: Random, data: bytes) -> bytes:
    """Two letters of a word are exchanged."""
    found = [one for one in _WORD.finditer(data) if len(one[0]) > 2]
    if not found:
        return data
    one = chance.choice(found)
    at = one.start() + chance.randrange(len(one[0]) - 1)
    return put(data, at, at + 2, data[at + 1 : at + 2] + data[at : at + 1])


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
    lines = lines_of(data)
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
    return put(data, at, at, left * depth + b"1" + right * depth)


def near_number(chance: Random, data: bytes) -> bytes:
    """A number is a little another one, with as many digits."""
    found = [one for one in NUMBER.finditer(data) if re.search(rb"[1-9]", one[0])]
    if not found:
        return data
    one = chance.choice(found)
    at = chance.choice([k for k in range(one.start(), one.end()) if data[k : k + 1].isdigit()])
    digit = str(chance.randrange(1, 10)).encode()
    return put(data, at, at + 1, digit)


def blank_line(chance: Random, data: bytes) -> bytes:
    """An empty line, or a remark, where none was."""
    lines = lines_of(data)
    lines.insert(chance.randrange(len(lines) + 1), chance.choice((b"", b"# looked at", b"  ")))
    return b"\n".join(lines)


def blanks_behind(chance: Random, data: bytes) -> bytes:
    """Blanks at the end of a line."""
    lines = lines_of(data)
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
