"""A write goes wrong in one way; the finding names that way.

The write pages are acted out here by a chip of a few lines (common data-sheet behaviour,
from memory): its address counter wraps inside the page.
"""

from __future__ import annotations

import random

import pytest

from memtool.core.chip import find_chip
from memtool.core.finding import Finding, Severity
from memtool.core.health.after_writing import diagnose_write
from memtool.core.image import Image
from memtool.core.span import Span

SIZE = 2048
I2C, SPI, MICROWIRE = (find_chip(name) for name in ("24C16", "95160", "93C86"))


def content(seed: int) -> bytes:
    return random.Random(seed).randbytes(SIZE)


def blanked(data: bytes, start: int = 0x120, length: int = 17) -> bytes:
    return data[:start] + b"\xff" * length + data[start + length :]


def written_in_chunks(old: bytes, new: bytes, *, page: int, chunk: int, start: int = 0) -> bytes:
    cells = bytearray(old)
    for first in range(start, len(new), chunk):
        base = first - first % page
        for index, byte in enumerate(new[first : first + chunk]):
            cells[base + (first + index) % page] = byte
    return bytes(cells)


def diagnose(old: bytes, new: bytes, got: bytes, *, spi: bool = False) -> Finding:
    before, intended, read_back = (Image.from_bytes(data) for data in (old, new, got))
    (finding,) = diagnose_write(before, intended, read_back, SPI if spi else I2C)
    assert finding.severity is Severity.FAILURE
    assert len(finding.text) <= 240
    wrong = {address for span in finding.spans for address in range(span.start, span.end)}
    assert wrong == {index for index in range(SIZE) if new[index] != got[index]}
    return finding


def test_an_exact_read_back_has_no_finding() -> None:
    image = Image.from_bytes(content(1))
    assert diagnose_write(Image.from_bytes(content(2)), image, image, I2C) == ()


def test_old_content_means_write_protection() -> None:
    old = content(1)
    assert diagnose(old, blanked(old), old).code == "write-protected"


@pytest.mark.parametrize(("part", "name"), [(4, "quarter"), (2, "half")])
def test_old_content_in_the_upper_part_alone_means_block_protection(part: int, name: str) -> None:
    old, new = content(1), content(2)
    first = SIZE - SIZE // part
    finding = diagnose(old, new, new[:first] + old[first:], spi=True)
    assert finding.code == "write-block-protected"
    # 95160: 0600-07FF and 0400-07FF (data sheet's block-protect table, from memory).
    expected = "0x0600-0x07FF" if name == "quarter" else "0x0400-0x07FF"
    assert f"upper {name}, {expected}" in finding.text


def test_block_protection_is_told_when_only_an_identity_in_the_upper_quarter_was_to_change() -> (
    None
):
    old = content(1)
    new = blanked(blanked(old, 0x40), 0x700)
    finding = diagnose(old, new, blanked(old, 0x40), spi=True)
    assert finding.code == "write-block-protected"


@pytest.mark.parametrize("chunk", [24, 32, 64, 128])
def test_writes_longer_than_the_page_wrap_inside_it(chunk: int) -> None:
    old, new = content(1), content(2)
    got = written_in_chunks(old, new, page=16, chunk=chunk)
    finding = diagnose(old, new, got)
    assert finding.code == "write-page-wrap"
    assert "16-byte pages" in finding.text


def test_writes_that_do_not_begin_at_a_page_wrap_inside_it() -> None:
    old, new = content(1), content(2)
    got = old[:8] + written_in_chunks(old, new, page=16, chunk=16, start=8)[8:]
    new = old[:8] + new[8:]
    assert diagnose(old, new, got).code == "write-page-wrap"


def test_bytes_scrambled_within_single_pages_are_told_as_page_wrap() -> None:
    new = content(2)
    got = bytearray(new)
    for first in (0x120, 0x400):
        page = got[first : first + 16]
        got[first : first + 16] = page[5:] + page[:5]
    assert diagnose(content(1), new, bytes(got)).code == "write-page-wrap"


def test_a_microwire_chip_has_no_pages_that_could_wrap() -> None:
    new = content(2)
    got = new[:32] + new[37:48] + new[32:37] + new[48:]
    before, intended, read_back = (Image.from_bytes(data) for data in (content(1), new, got))
    (finding,) = diagnose_write(before, intended, read_back, MICROWIRE)
    assert finding.code == "write-differs"


@pytest.mark.parametrize("level", [0, 1])
def test_one_bit_wrong_in_one_direction_means_one_data_line(level: int) -> None:
    new = content(2)
    got = bytes(byte | 0x08 if level else byte & ~0x08 for byte in new)
    finding = diagnose(content(1), new, got)
    assert finding.code == "write-data-line"
    assert f"bit 3 alone, read as {level}" in finding.text


def test_old_bytes_from_the_middle_on_mean_that_writing_stopped() -> None:
    old, new = content(1), content(2)
    assert diagnose(old, new, new[:700] + old[700:]).code == "write-partly-taken"


@pytest.mark.parametrize("value", [0x00, 0xFF])
def test_a_blank_read_back_asks_for_another_read_first(value: int) -> None:
    finding = diagnose(content(1), content(2), bytes([value]) * SIZE)
    assert finding.code == "write-reads-blank"


def test_a_read_back_moved_by_one_byte_is_told() -> None:
    new = content(2)
    assert diagnose(content(1), new, b"\xff" + new[:-1]).code == "write-shifted"


def test_damage_without_a_pattern_is_said_to_be_that() -> None:
    new, drawn = content(2), random.Random(5)
    got = bytearray(new)
    for place in drawn.sample(range(SIZE), 20):
        got[place] ^= drawn.randrange(1, 256)
    assert diagnose(content(1), new, bytes(got)).code == "write-differs"


def test_a_read_back_of_another_size_is_told_first() -> None:
    new = Image.from_bytes(content(2))
    (finding,) = diagnose_write(new, new, Image.from_bytes(content(2)[:1024]), I2C)
    assert finding.code == "write-other-size"


def test_unknown_old_content_still_tells_a_line_and_addresses_are_absolute() -> None:
    new = Image.from_bytes(content(2), base=0x8000)
    got = Image.from_bytes(bytes(byte & 0x7F for byte in content(2)), base=0x8000)
    (finding,) = diagnose_write(Image.from_bytes(b""), new, got)
    assert finding.code == "write-data-line"
    assert all(Span(0x8000, 0x8800).contains(span) for span in finding.spans)


def test_two_causes_that_fit_are_both_named() -> None:
    """Only the upper half was to change, and the whole old content is there."""
    old = content(1)
    new = blanked(old, SIZE - 100)
    before, intended, read_back = (Image.from_bytes(data) for data in (old, new, old))
    found = diagnose_write(before, intended, read_back, SPI)
    assert {finding.code for finding in found} == {"write-protected", "write-block-protected"}


def test_the_wrong_file_is_named() -> None:
    old, new, original = (Image.from_bytes(content(seed)) for seed in (1, 2, 3))
    (finding,) = diagnose_write(old, new, original, I2C, [("the original's image", original)])
    assert finding.code == "write-other-file"
    assert "the original's image" in finding.text


def test_swapped_words_are_no_page_wrap() -> None:
    new = content(2)
    got = bytes(new[index ^ 1] for index in range(SIZE))
    assert diagnose(content(1), new, got).code == "write-order"


@pytest.mark.parametrize("by", [16, 48, 100, -16, -1000])
def test_a_read_back_moved_by_any_number_of_bytes_is_told(by: int) -> None:
    new = content(2)
    got = b"\xff" * by + new[:-by] if by > 0 else new[-by:] + b"\xff" * -by
    finding = diagnose(content(1), new, got)
    assert finding.code == "write-shifted"
    assert f"by {abs(by):,} bytes" in finding.text
    assert ("page" in finding.text) == (by % 16 == 0)
