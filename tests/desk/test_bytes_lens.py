"""Images side by side: lines, differences, search, addresses, votes; protected bytes nowhere."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.desk.bytes_lens import Lens, Named, look_at, look_at_reads
from memtool.desk.bytes_lines import Rows, columns_of, draw_line
from memtool.desk.bytes_words import (
    address_words,
    checksum_lines,
    find_address,
    find_next,
    title_words,
)
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN, LAYOUT, SECRET, VEHICLE_VIN, module_memory

MODULE = parse_layout(LAYOUT)
DONOR = module_memory(DONOR_VIN)
ORIGINAL = module_memory(VEHICLE_VIN, secret=bytes(range(0x61, 0x71)))


def named(name: str, data: bytes, *, base: int = 0) -> Named:
    return Named(name=name, words="", image=Image.from_bytes(data, base=base))


def lens_of(*data: bytes, layout: str | None = LAYOUT) -> Lens:
    parsed = None if layout is None else parse_layout(layout)
    images = [named(f"image {number}", each) for number, each in enumerate(data)]
    return look_at(images, layout=parsed, shown=parsed, reason="")


def lines_of(lens: Lens, *, length: int = 16, cursor: int = -1) -> list[str]:
    rows, columns = Rows(lens, length), columns_of(lens, length)
    return [
        "".join(text for text, _ in draw_line(rows, columns, line, cursor=cursor, match=None))
        for line in range(len(rows))
    ]


def line_at(lines: list[str], address: str) -> int:
    return next(number for number, line in enumerate(lines) if line.startswith(address))


def test_rows_that_are_equal_are_one_line_and_others_one_line_a_side() -> None:
    lines = lines_of(lens_of(DONOR, ORIGINAL))
    serial, vin = line_at(lines, "0x0000"), line_at(lines, "0x0010")
    assert lines[serial + 1].startswith("0x0010 A ")
    assert lines[vin + 1].startswith("       B ")
    assert lines[line_at(lines, "0x0000")][7] == " "


def test_bytes_that_differ_stand_in_brackets() -> None:
    changed = bytearray(DONOR)
    changed[0xA2:0xA4] = bytes(byte ^ 0xFF for byte in DONOR[0xA2:0xA4])
    lines = lines_of(lens_of(DONOR, bytes(changed)))
    at = line_at(lines, "0x00A0")
    # The rows are formatted here from the bytes, apart from the code under test.
    first, second = DONOR[0xA2:0xA4].hex(" ").upper(), changed[0xA2:0xA4].hex(" ").upper()
    before = DONOR[0xA0:0xA2].hex(" ").upper()
    assert f"{before}[{first}]" in lines[at]
    assert f"{before}[{second}]" in lines[at + 1]
    assert sum("[" in line for line in lines) == 2


def put_together(pieces: list[tuple[int, bytes]]) -> dict[int, int]:
    """Address and byte, the pieces one behind the other with gaps; apart from `Image`."""
    found: dict[int, int] = {}
    at = 0
    for gap, data in pieces:
        at += gap
        for byte in data:
            found[at] = byte
            at += 1
    return found


def image_of(held: dict[int, int]) -> Image:
    return Image.from_pieces((address, bytes([byte])) for address, byte in held.items())


SPARSE = st.lists(
    st.tuples(st.integers(0, 40), st.binary(min_size=1, max_size=40)), min_size=1, max_size=4
).map(put_together)


@given(
    first=SPARSE,
    edits=st.lists(st.tuples(st.integers(0, 200), st.sampled_from([None, 0, 1])), max_size=5),
    length=st.sampled_from([8, 16]),
)
@settings(max_examples=80, deadline=None)
def test_lines_are_those_that_a_slow_loop_counts(
    first: dict[int, int], edits: list[tuple[int, int | None]], length: int
) -> None:
    second = dict(first)
    for address, value in edits:
        if value is None:
            second.pop(address, None)
        else:
            second[address] = value
    images = [
        Named(name=name, words="", image=image_of(held))
        for name, held in (("a", first), ("b", second))
    ]
    rows = Rows(look_at(images, layout=None, shown=None, reason=""), length)
    expected: list[tuple[int, int | None]] = []
    for start in range(0, max((*first, *second)) + 1, length):
        places = range(start, start + length)
        if not any(place in first or place in second for place in places):
            continue
        same = all(first.get(place) == second.get(place) for place in places)
        expected += [(start, None)] if same else [(start, 0), (start, 1)]
    assert [rows.at(line) for line in range(len(rows))] == expected
    for address in (*first, *second):
        line, count = rows.line_of(address)
        assert expected[line][0] == address - address % length
        assert count == sum(start == expected[line][0] for start, _ in expected)


def test_text_and_digits_of_a_row_are_those_of_the_file() -> None:
    lines = lines_of(lens_of(DONOR))
    row = lines[line_at(lines, "0x0010")]
    assert DONOR[0x10:0x18].hex(" ").upper() + "  " + DONOR[0x18:0x20].hex(" ").upper() in row
    assert DONOR_VIN[:16] in row
    assert row.endswith("V VIN")


def test_next_and_previous_difference_stop_at_the_borders_of_regions() -> None:
    changed = bytearray(DONOR)
    # From the flag into the checksum behind it: two runs, as compare counts them.
    for address in (0x21, 0x22, 0x60, 0xFF):
        changed[address] ^= 0xFF
    lens = lens_of(DONOR, bytes(changed))
    found, at = [], -1
    while (to := lens.next_difference(at)) is not None:
        found.append(to)
        at = to
    assert found == [0x21, 0x22, 0x60, 0xFF]
    assert lens.previous_difference(0x60) == 0x22
    assert lens.previous_difference(0x21) is None
    assert lens.answer.startswith("4 bytes differ, in 4 runs")


def test_bytes_that_one_image_alone_has_are_a_difference() -> None:
    lens = lens_of(DONOR, DONOR[:0xF0])
    assert lens.next_difference(0) == 0xF0
    assert "Only in A: 16 bytes." in lens.answer
    lines = lines_of(lens)
    assert "-- --" in lines[line_at(lines, "0x00F0") + 1]


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("gdm9", 0x13),
        ("GDM9", 0x13),
        ("47 44 4D", 0x13),
        ("0x47444D", 0x13),
        ("SN-0007731", 0x00),
        ("12 67", 0x42),
    ],
)
def test_search_finds_text_in_either_case_and_bytes(text: str, address: int) -> None:
    found = find_next(lens_of(DONOR), text, 0xFF)
    assert found is not None
    assert (found.span.start, found.again) == (address, True)


def test_search_goes_on_behind_the_cursor_and_then_from_the_start() -> None:
    data = bytes(16) + b"AB" + bytes(16) + b"AB" + bytes(16)
    lens = lens_of(data, layout=None)
    places = [find_next(lens, "AB", at) for at in (0, 16, 34)]
    assert [(each.span.start, each.again) for each in places if each] == [
        (16, False),
        (34, False),
        (16, True),
    ]


def test_search_names_the_side_that_holds_it() -> None:
    found = find_next(lens_of(DONOR, ORIGINAL), VEHICLE_VIN, 0)
    assert found is not None
    assert (found.span.start, found.side) == (0x10, "B")


@pytest.mark.parametrize("layout", [LAYOUT])
def test_protected_bytes_are_in_nothing_that_a_lens_gives(layout: str) -> None:
    lens = lens_of(DONOR, ORIGINAL, layout=layout)
    for secret in (SECRET, ORIGINAL[0x80:0x90]):
        assert not any(
            secret[:2] in segment.data for each in lens.sides for segment in each.image.segments
        )
        said = [*lines_of(lens), *title_words(lens), *checksum_lines(lens)]
        for address in range(0x7F, 0x91):
            said += address_words(lens, address)
        text = "\n".join(said)
        assert secret[:2].hex(" ").upper() not in text
        assert secret[4:8].decode("latin-1") not in text
        for at in range(0, 16, 4):
            assert find_next(lens, secret[at : at + 3].hex(), 0) is None
    assert find_next(lens, "abcdef", 0) is None  # ORIGINAL holds it as text, in its protected part
    assert "protected: not shown" in "\n".join(address_words(lens, 0x84))
    lines = lines_of(lens)
    assert "·· ··" in lines[line_at(lines, "0x0080")]


def test_search_does_not_find_across_the_border_of_a_protected_region() -> None:
    assert find_next(lens_of(DONOR), (DONOR[0x7E:0x80] + SECRET[:1]).hex(), 0) is None


def test_address_is_typed_in_every_way_or_as_a_part_of_a_regions_name() -> None:
    lens = lens_of(DONOR)
    assert [find_address(lens, text, 0) for text in ("0x40", "64", "0x40-0x43", "0x40+4")] == [
        0x40,
        0x40,
        0x40,
        0x40,
    ]
    assert find_address(lens, "vin", 0x10) == 0x21
    assert find_address(lens, "vin", 0x50) == 0x10
    assert find_address(lens, "no such", 0) is None
    assert find_address(lens, "", 0) is None


def test_field_under_the_cursor_is_decoded_for_each_side() -> None:
    words = list(address_words(lens_of(DONOR, ORIGINAL), 0x55))
    assert f"  A  {DONOR_VIN}" in words
    assert f"  B  {VEHICLE_VIN}" in words
    assert "vehicle identity: VIN, mirrored, 0x0050-0x0060 (17 bytes)" in words


def test_checksum_under_the_cursor_is_checked_for_each_side() -> None:
    broken = bytearray(DONOR)
    broken[0x12] ^= 1
    words = list(address_words(lens_of(DONOR, bytes(broken)), 0x22))
    assert any(line.startswith("  A  ") and line.endswith(": pass") for line in words)
    assert any(line.startswith("  B  ") and ": fail, computed " in line for line in words)
    assert "covered by 'identity CRC'" in "\n".join(address_words(lens_of(DONOR), 0x15))


def test_vin_without_a_layout_is_told_under_the_cursor_and_beside_its_row() -> None:
    lens = lens_of(DONOR, layout=None)
    words = "\n".join(address_words(lens, 0x18))
    assert f"VIN {DONOR_VIN}, stored as plain, check digit valid" in words
    assert any(line.endswith(f"V VIN {DONOR_VIN}") for line in lines_of(lens))


def test_three_reads_vote_and_the_majority_is_a_line_of_its_own() -> None:
    second, third = bytearray(DONOR), bytearray(DONOR)
    second[0x42], third[0x30] = 0x13, 0x99
    reads = [named(f"r{n}.bin", bytes(each)) for n, each in enumerate((DONOR, second, third))]
    lens = look_at_reads(reads, shown=MODULE, reason="")
    assert [side.label for side in lens.sides] == ["1", "2", "3", "="]
    assert lens.sides[-1].words == "Majority: 2 bytes doubtful, 0 of them undecided."
    lines = lines_of(lens)
    at = line_at(lines, "0x0030")
    assert [line[7] for line in lines[at : at + 4]] == ["1", "2", "3", "="]
    assert "[99]" in lines[at + 2]
    assert "[00]" in lines[at + 3]
    assert "1 2 =: 00 = 0" in next(address_words(lens, 0x30))


def test_byte_without_a_majority_is_shown_as_open() -> None:
    reads = []
    for number in range(3):
        data = bytearray(DONOR)
        data[0x30] = number
        reads.append(named(f"r{number}.bin", bytes(data)))
    lens = look_at_reads(reads, shown=MODULE, reason="")
    lines = lines_of(lens)
    assert "[??]" in lines[line_at(lines, "0x0030") + 3]
    assert "no majority" in next(address_words(lens, 0x30))


def test_what_the_reader_could_not_give_is_no_difference_between_reads() -> None:
    other = bytearray(DONOR)
    other[0xA0:0xB0] = bytes(16)
    lens = look_at_reads(
        [named("a.bin", DONOR), named("b.bin", bytes(other))],
        shown=MODULE,
        reason="",
        not_read=[parse_layout(LAYOUT).regions[-1].span],
    )
    assert lens.next_difference(0) is None
    lines = lines_of(lens)
    assert "-- --" in lines[line_at(lines, "0x00A0")]


def test_rows_exist_where_bytes_are_and_a_gap_costs_nothing() -> None:
    image = Image.from_pieces([(0, bytes(16)), (0x1000_0000, bytes(range(16)))])
    lens = look_at(
        [Named(name="two parts", words="", image=image)], layout=None, shown=None, reason=""
    )
    lines = lines_of(lens)
    assert [line.split()[0] for line in lines] == ["0x0000", "0x10000000"]


def test_names_from_files_cannot_act_on_the_terminal() -> None:
    layout = LAYOUT.replace('name = "curve"', 'name = "cu\\u001b[31mrve"')
    parsed = parse_layout(layout)
    lens = look_at([named("a\x1b]0;x", DONOR)], layout=parsed, shown=parsed, reason="")
    text = "\n".join([*lines_of(lens), *title_words(lens), *address_words(lens, 0xA0)])
    assert "\x1b" not in text
    assert "cu\\x1b[31mrve" in text
