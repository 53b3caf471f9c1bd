"""The parts of the search for unknown VINs, each against a slower way to the same."""

from __future__ import annotations

import random
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.image import Image, Segment
from memtool.core.span import Span
from memtool.core.texts import vin_in_bits, vin_under_key
from memtool.core.texts.dates import find_dates
from memtool.core.texts.vin_in_bits import searches_in_bits
from memtool.core.texts.vin_shape import find_vin_shape
from memtool.core.texts.vin_under_key import searches_under_key

VIN = b"1G4AH59H45G118341"
"""49 CFR 565.15, Table VI."""
DATE = rb"[0-9]{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])(?:[01][0-9]|2[0-3])(?:[0-5][0-9]){2}Z"
"""X.680, 47: a UTCTime."""


def pack(text: bytes, width: int, *, high_first: bool) -> bytes:
    """Characters of so many bits, one behind the other; of six bits 0x20 less."""
    bits = 0
    for number, code in enumerate(text):
        code -= 0x20 if width == 6 else 0
        bits = bits << width | code if high_first else bits | code << width * number
    size = (width * len(text) + 7) // 8
    return (bits << -width * len(text) % 8 if high_first else bits).to_bytes(
        size, "big" if high_first else "little"
    )


def in_bits(data: bytes) -> list[list[tuple[str, str, Span]]]:
    """Every candidate of every packed form."""
    return [
        [(each.text, each.form.name, each.trace.span) for each in search]
        for search in searches_in_bits(Segment(3, data))
    ]


@settings(max_examples=60, deadline=None)
@given(
    digits=st.lists(st.integers(0, 20), min_size=1, max_size=6),
    width=st.sampled_from((6, 7)),
    high_first=st.booleans(),
    seed=st.integers(0, 999),
)
def test_packed_windows_are_the_same_one_by_one_and_all_at_once(
    digits: list[int], width: int, high_first: bool, seed: int
) -> None:
    rng = random.Random(seed)
    data = b""
    for many in digits:
        # Texts with many digits, with and without a letter early, cut off and whole.
        text = VIN[rng.randrange(3) :] + bytes(rng.choices(b"0123456789AX-", k=many))
        data += pack(text, width, high_first=high_first) + rng.randbytes(rng.randrange(4))
    results = []
    for most in (0, len(data) * 8):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(vin_in_bits, "_MOST_BY_ONE", most)
            results.append(in_bits(data))
    assert results[0] == results[1]


def shapes_bit_by_bit(data: bytes, width: int, *, high_first: bool) -> list[str]:
    """The texts with a VIN's shape that begin at each bit, by the characters written out."""
    bits = "".join(f"{byte:08b}" if high_first else f"{byte:08b}"[::-1] for byte in data)
    found = []
    for first in range(len(bits) - width * 17 + 1):
        pieces = [bits[first + width * n : first + width * (n + 1)] for n in range(17)]
        codes = [int(piece if high_first else piece[::-1], 2) for piece in pieces]
        text = "".join(chr(code + (0x20 if width == 6 else 0)) for code in codes)
        plain = re.fullmatch("[A-HJ-NPR-Z0-9]{13}[0-9]{4}", text) and not text[:10].isdigit()
        if plain and find_vin_shape(text) is not None:
            found.append(text)
    return found


@settings(max_examples=150, deadline=None)
@given(
    width=st.sampled_from((6, 7)),
    high_first=st.booleans(),
    many=st.integers(1, 4),
    chunk=st.sampled_from((16, 21, 64, 1 << 16)),
    seed=st.integers(0, 9999),
)
def test_packed_windows_are_those_of_a_loop_over_bits(
    width: int, high_first: bool, many: int, chunk: int, seed: int
) -> None:
    rng = random.Random(seed)
    # Bits that alternate: all pairs differ, as the highest two bits of a character do.
    fillers = (b"\x55", b"\xaa", b"\x2d\x5a", b"\xff", b"\0", rng.randbytes(5))
    bits = ""
    for _ in range(many):
        filler = rng.choice(fillers) * rng.randrange(9)
        text = VIN[:12] + bytes(rng.choices(b"0123456789", k=5)) + rng.choice((b"", b"7", b"AB"))
        stored = pack(text, width, high_first=high_first)
        bits += "".join(f"{byte:08b}" if high_first else f"{byte:08b}"[::-1] for byte in filler)
        # From any bit of a byte on.
        bits += "".join(rng.choices("01", k=rng.randrange(8)))
        bits += "".join(f"{byte:08b}" if high_first else f"{byte:08b}"[::-1] for byte in stored)
    bits += "0" * (-len(bits) % 8)
    rows = [bits[first : first + 8] for first in range(0, len(bits), 8)]
    data = bytes(int(row if high_first else row[::-1], 2) for row in rows)
    name = f"packed-{width}-{'msb' if high_first else 'lsb'}"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(vin_in_bits, "_CHUNK", chunk)
        found = [
            text for search in in_bits(data) for text, form, _ in search if form.startswith(name)
        ]
    assert found == shapes_bit_by_bit(data, width, high_first=high_first)
    assert found


@pytest.mark.parametrize("name", ["xor", "added"])
@pytest.mark.parametrize("equal", [*range(13), 30])
def test_a_vin_under_a_key_is_found_beside_any_filler(name: str, equal: int) -> None:
    rng = random.Random(f"{name} {equal}")
    for key in (0x01, 0x5A, 0x91, 0xFE):
        stored = bytes((c ^ key) if name == "xor" else (c + key) % 256 for c in VIN)
        for before in (b"", bytes([stored[0]]), b"\xff", b"\0", rng.randbytes(1)):
            for behind in (b"", bytes([stored[-1]]), b"\xff", b"\0", rng.randbytes(1)):
                data = before * equal + stored + behind * equal
                found = {
                    (each.text, each.form.name, each.trace.span.start)
                    for search in searches_under_key(Segment(0, data))
                    for each in search
                }
                place = len(before) * equal
                assert (VIN.decode(), f"{name}-{key:02x}", place) in found, (before, behind)


@pytest.mark.parametrize("name", ["xor", "added"])
@pytest.mark.parametrize("place", range(1, 13))
def test_five_equal_characters_in_a_row_are_a_vin_under_a_key_and_six_are_none(
    name: str, place: int
) -> None:
    rng = random.Random(f"{name} {place}")
    looked_at = set()
    for character in "1H7":
        for many in (5, 6):
            text = VIN[:place].decode() + character * many + VIN[place + many :].decode()
            letters = sum(map(str.isalpha, text))
            if find_vin_shape(text) is None or letters < 4 or len(set(text)) < 6:
                continue
            if not re.fullmatch("(?=.{0,9}[A-Z]).{13}[0-9]{4}", text):
                continue
            longest = max(len(run[0]) for run in re.finditer(r"(.)\1*", text))
            if max(map(text.count, text)) > 7 and len(set(text)) < 11:
                continue
            key = rng.randrange(1, 0x7F)
            stored = bytes(
                (c ^ key) if name == "xor" else (c + key) % 256 for c in text.encode("ascii")
            )
            data = rng.randbytes(40) + b"\xe0" * 12 + stored + b"\xe0" * 12 + rng.randbytes(40)
            found = {
                (each.text, each.form.name, each.trace.span.start)
                for search in searches_under_key(Segment(0, data))
                for each in search
            }
            looked_at.add(longest > 5)
            assert ((text, f"{name}-{key:02x}", 52) in found) == (longest <= 5), text
    assert looked_at


@settings(max_examples=60, deadline=None)
@given(
    kinds=st.lists(st.sampled_from(("vin", "smooth", "equal", "random")), min_size=1, max_size=12),
    name=st.sampled_from(("xor", "added")),
    stride=st.sampled_from((1, 2)),
    seed=st.integers(0, 9999),
)
def test_texts_under_a_key_are_the_same_where_runs_are_many(
    kinds: list[str], name: str, stride: int, seed: int
) -> None:
    rng = random.Random(seed)
    data = b""
    for kind in kinds:
        key, size = rng.randrange(1, 0x7F), rng.randrange(1, 40)
        if kind == "vin":
            text = VIN[:13] + bytes(rng.choices(b"0123456789", k=4))
            piece = bytes((c ^ key) if name == "xor" else (c + key) % 256 for c in text)
        elif kind == "smooth":
            piece = bytes(key ^ value for value in rng.choices(b"0123456789ABCDEFGH", k=size))
        else:
            piece = bytes([key]) * size if kind == "equal" else rng.randbytes(size)
        data += piece if stride == 1 else bytes(b for c in piece for b in (c, rng.randrange(256)))
    results = []
    for many in (0, len(data) + 1):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(vin_under_key, "_MANY_RUNS", many)
            results.append([list(search) for search in searches_under_key(Segment(0, data))])
    assert results[0] == results[1]


@given(st.text(alphabet="0123456789Z ", max_size=60), st.booleans())
def test_dates_are_found_among_digits(text: str, plant: bool) -> None:
    data = text.encode()
    if plant:
        data = data[: len(data) // 2] + b"240131235959Z" + data[len(data) // 2 :]
    spans = {(each.start(), each.end()) for each in re.finditer(DATE, data)}
    size = len(data)
    spans |= {(size - m.end(), size - m.start()) for m in re.finditer(DATE, data[::-1])}
    want = {place for first, end in spans for place in range(first, end)}
    found = find_dates(Image.from_bytes(data))
    assert {place for span in found for place in range(span.start, span.end)} == want
