"""One rule over one image: right, wrong, not checked; and the order of several."""

from __future__ import annotations

from itertools import pairwise, permutations

import crccheck.crc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.checksums.algorithms import get_algorithm, list_algorithms
from memtool.core.checksums.checksum import (
    ChecksumCycleError,
    ChecksumRule,
    WhenBlanked,
    apply_checksum,
    check_checksum,
    find_rule_faults,
    refresh_order,
)
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.span import Span
from tests import checksum_reference as reference

ALL_NAMES = [algorithm.name for algorithm in list_algorithms()]
CRC_CLASSES = {crc._names[0]: crc for crc in crccheck.crc.ALLCRCCLASSES}

RULE = ChecksumRule(
    name="block",
    algorithm="CRC-16/IBM-3740",
    covers=(Span(0x100, 0x109),),
    stored=Span(0x120, 0x122),
    byte_order="big",
    when_blanked=WhenBlanked.REFRESH,
)
IMAGE = Image.from_bytes(b"123456789" + b"\xff" * 0x17 + b"\x29\xb1\xff\xff", base=0x100)


def expected_value(name: str, block: bytes, total: int) -> int:
    """The value by a way that is not memtool's."""
    if name in CRC_CLASSES:
        return int(CRC_CLASSES[name].calc(block))
    return reference.sum_value(name, block, total)


def rule_for(name: str, *, total: int | None = None) -> ChecksumRule:
    """A block in two pieces out of order, 12 and 10 bytes; the field inside it for /TOTAL."""
    length = get_algorithm(name).field_length
    inside = name.endswith("/TOTAL")
    field = Span(0x34, 0x34 + length)
    return ChecksumRule(
        name=name,
        algorithm=name,
        covers=(Span(0x30, 0x3C + (length if inside else 0)), Span(0x10, 0x1A))
        if inside
        else (Span(0x38, 0x44), Span(0x10, 0x1A)),
        stored=field if inside else Span(0x20, 0x20 + length),
        byte_order="little" if "-LE" in name else "big",
        total=total,
        when_blanked=WhenBlanked.REFRESH,
    )


def block_of(data: bytes, rule: ChecksumRule) -> bytes:
    """What the rule covers, address by address, without its field."""
    return bytes(
        data[address]
        for span in rule.covers
        for address in range(span.start, span.end)
        if not rule.stored.start <= address < rule.stored.end
    )


@pytest.mark.parametrize("name", ALL_NAMES)
@given(
    data=st.binary(min_size=96, max_size=96), seed=st.integers(0, 2**64 - 1), bit=st.integers(0, 7)
)
@settings(max_examples=12)
def test_apply_then_check_passes_and_one_flipped_bit_fails(
    name: str, data: bytes, seed: int, bit: int
) -> None:
    width = get_algorithm(name).width
    total = seed % (1 << width) if name.endswith("/TOTAL") else None
    rule = rule_for(name, total=total)
    applied = apply_checksum(Image.from_bytes(data), rule)
    assert check_checksum(applied, rule).result is Verdict.PASS

    value = expected_value(name, block_of(data, rule), total or 0)
    field = value.to_bytes(len(rule.stored), rule.byte_order)
    after = bytearray(data)
    after[rule.stored.start : rule.stored.end] = field
    assert applied == Image.from_bytes(bytes(after))

    covered = [
        address for span in (*rule.covers, rule.stored) for address in range(span.start, span.end)
    ]
    at = covered[seed % len(covered)]
    flipped = applied.with_bytes([(at, bytes([after[at] ^ (1 << bit)]))])
    assert check_checksum(flipped, rule).result is Verdict.FAIL


def test_result_holds_both_values_as_they_lie_in_memory() -> None:
    result = check_checksum(IMAGE, RULE)
    assert (result.name, result.algorithm) == ("block", "CRC-16/IBM-3740")
    assert (result.stored, result.computed) == (b"\x29\xb1", b"\x29\xb1")
    assert (result.result, result.reason) == (Verdict.PASS, None)
    little = check_checksum(IMAGE, RULE._replace(byte_order="little"))
    assert (little.stored, little.computed) == (b"\x29\xb1", b"\xb1\x29")
    assert little.result is Verdict.FAIL


def test_alias_in_a_rule_is_answered_with_the_catalogue_name() -> None:
    result = check_checksum(IMAGE, RULE._replace(algorithm="crc-16/ccitt-false"))
    assert (result.algorithm, result.result) == ("CRC-16/IBM-3740", Verdict.PASS)


def test_pieces_are_joined_in_the_order_given() -> None:
    image = Image.from_bytes(b"6789" + b"12345" + b"\x29\xb1")
    covers = (Span(4, 9), Span(0, 4))
    rule = RULE._replace(covers=covers, stored=Span(9, 11))
    assert check_checksum(image, rule).result is Verdict.PASS
    assert check_checksum(image, rule._replace(covers=covers[::-1])).result is Verdict.FAIL


@pytest.mark.parametrize(
    ("name", "order", "field"),
    [
        # The catalogue's check values, right-aligned in whole bytes.
        ("CRC-3/GSM", "big", "04"),
        ("CRC-12/UMTS", "big", "0daf"),
        ("CRC-12/UMTS", "little", "af0d"),
        ("CRC-15/CAN", "big", "059e"),
        ("CRC-17/CAN-FD", "little", "034f00"),
        ("CRC-31/PHILIPS", "big", "0ce9e46c"),
    ],
)
def test_odd_widths_lie_right_aligned(name: str, order: str, field: str) -> None:
    rule = ChecksumRule(
        name="odd",
        algorithm=name,
        covers=(Span(0, 9),),
        stored=Span(9, 9 + len(field) // 2),
        byte_order="big" if order == "big" else "little",
        when_blanked=WhenBlanked.KEEP,
    )
    image = Image.from_bytes(b"123456789" + bytes.fromhex(field))
    assert check_checksum(image, rule).result is Verdict.PASS


def test_total_of_a_32_bit_word_sum_takes_the_field_as_one_number() -> None:
    rule = ChecksumRule(
        name="total",
        algorithm="WORDSUM-32-BE/TOTAL",
        covers=(Span(0, 8),),
        stored=Span(4, 8),
        byte_order="big",
        total=0x12345678,
        when_blanked=WhenBlanked.REFRESH,
    )
    field = 0x12345678 - 0x0102 - 0x0304
    image = Image.from_bytes(b"\x01\x02\x03\x04" + field.to_bytes(4, "big"))
    assert check_checksum(image, rule).result is Verdict.PASS


@pytest.mark.parametrize("undefined", [Span(0x104, 0x105), Span(0x121, 0x122), Span(0x100, 0x109)])
def test_bytes_that_no_file_defined_mean_not_checked(undefined: Span) -> None:
    extent = Span(0x100, 0x124)
    pieces = [Span(extent.start, undefined.start)] if undefined.start > extent.start else []
    image = IMAGE.select([*pieces, Span(undefined.end, extent.end)])
    result = check_checksum(image, RULE)
    assert result.result is Verdict.NOT_CHECKED
    assert result.reason is not None
    assert "does not define" in result.reason
    assert f"0x{undefined.start:04X}" in result.reason
    assert result.computed == b""
    assert result.stored == (b"" if undefined.start == 0x121 else b"\x29\xb1")
    with pytest.raises(ValueError, match="'block' cannot be computed: the image does not define"):
        apply_checksum(image, RULE)


def test_an_empty_image_is_not_checked() -> None:
    result = check_checksum(Image.from_bytes(b""), RULE)
    assert (result.result, result.stored, result.computed) == (Verdict.NOT_CHECKED, b"", b"")


SUM_8 = RULE._replace(algorithm="SUM-8", stored=Span(0x120, 0x121))
TOTAL_8 = RULE._replace(
    algorithm="SUM-8/TOTAL", covers=(Span(0x100, 0x121),), stored=Span(0x120, 0x121)
)
WORDS = RULE._replace(algorithm="WORDSUM-16-BE", covers=(Span(0x100, 0x108),))
WORD_TOTAL = RULE._replace(
    algorithm="WORDSUM-16-BE/TOTAL", covers=(Span(0x100, 0x122),), stored=Span(0x120, 0x122)
)


@pytest.mark.parametrize(
    "rule", [RULE, SUM_8, TOTAL_8, WORDS, WORD_TOTAL], ids=lambda r: r.algorithm
)
def test_sound_rules_have_no_fault(rule: ChecksumRule) -> None:
    assert find_rule_faults(rule) == ()


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (RULE._replace(covers=()), "it covers nothing"),
        (
            RULE._replace(covers=(Span(0x100, 0x109), Span(0x108, 0x110))),
            "it covers 0x0108-0x010F and 0x0100-0x0108, which overlap",
        ),
        (
            # The long span hides a short one: not only neighbours are compared.
            RULE._replace(covers=(Span(0x100, 0x110), Span(0x102, 0x103), Span(0x104, 0x105))),
            "it covers 0x0104+1 and 0x0100-0x010F, which overlap",
        ),
        (RULE._replace(covers=(Span(0x100, 0x121),)), "touches its own field 0x0120-0x0121"),
        (SUM_8._replace(covers=(Span(0x100, 0x130),)), "touches its own field 0x0120"),
        (RULE._replace(stored=Span(0x120, 0x124)), "is stored in 2 bytes, but the field is"),
        (RULE._replace(stored=Span(0x120, 0x121)), "is stored in 2 bytes, but the field is"),
        (SUM_8._replace(stored=Span(0x120, 0x122)), "SUM-8 is stored in 1 byte, but"),
        (RULE._replace(algorithm="CRC-16"), "'CRC-16' does not name one algorithm"),
        (RULE._replace(algorithm="CRC-16/IBM-3470"), "nearest to it: CRC-16/IBM-3740"),
        (RULE._replace(total=0), "a total belongs to names that end in /TOTAL"),
        (TOTAL_8._replace(total=256), "total 256 does not fit into 8 bits"),
        (TOTAL_8._replace(total=-1), "total -1 does not fit into 8 bits"),
        (TOTAL_8._replace(covers=(Span(0x100, 0x120),)), "one covered span must include the field"),
        (
            WORD_TOTAL._replace(covers=(Span(0x100, 0x121), Span(0x121, 0x122))),
            "one covered span must include the field",
        ),
        (TOTAL_8._replace(covers=(Span(0x120, 0x121),)), "it covers nothing but its own field"),
        (WORDS._replace(covers=(Span(0x100, 0x109),)), "covers an odd number of bytes, 9"),
        (WORD_TOTAL._replace(covers=(Span(0x101, 0x122),)), "covers an odd number of bytes, 31"),
        (WORD_TOTAL._replace(byte_order="little"), "needs byte order big, that of its words"),
        (
            WORD_TOTAL._replace(covers=(Span(0x101, 0x123),)),
            "the field 0x0120-0x0121 does not start at a 16-bit word",
        ),
    ],
)
def test_unusual_rules_are_faults_and_never_give_a_number(rule: ChecksumRule, words: str) -> None:
    assert any(words in fault for fault in find_rule_faults(rule))
    image = Image.from_bytes(bytes(range(200)), base=0xC0)
    result = check_checksum(image, rule)
    assert (result.result, result.computed) == (Verdict.NOT_CHECKED, b"")
    assert result.reason is not None
    assert words in result.reason
    with pytest.raises(ValueError, match="'block' cannot be computed"):
        apply_checksum(image, rule)


def test_all_faults_of_a_rule_are_told_at_once() -> None:
    rule = RULE._replace(covers=(Span(0x100, 0x104), Span(0x102, 0x130)), total=3)
    assert len(find_rule_faults(rule)) == 3


def nested(name: str, covers: Span, stored: int) -> ChecksumRule:
    return SUM_8._replace(name=name, covers=(covers,), stored=Span(stored, stored + 1))


INNER = nested("inner", Span(0, 4), 4)
MIDDLE = nested("middle", Span(0, 8), 8)
WHOLE = nested("whole", Span(0, 16), 16)
APART = nested("apart", Span(20, 24), 24)


@pytest.mark.parametrize("order", list(permutations((INNER, MIDDLE, WHOLE, APART))))
def test_inner_checksums_are_refreshed_before_those_that_cover_them(
    order: tuple[ChecksumRule, ...],
) -> None:
    names = [rule.name for rule in refresh_order(order)]
    assert sorted(names) == ["apart", "inner", "middle", "whole"]
    assert names.index("inner") < names.index("middle") < names.index("whole")
    image = Image.from_bytes(bytes(range(7, 47)))
    for rule in refresh_order(order):
        image = apply_checksum(image, rule)
    assert all(check_checksum(image, rule).result is Verdict.PASS for rule in order)


def test_independent_rules_keep_their_order() -> None:
    rules = tuple(nested(f"{place}", Span(place, place + 1), place + 50) for place in range(9))
    assert refresh_order(rules) == rules
    assert refresh_order(()) == ()


def test_a_partly_covered_field_counts_as_covered() -> None:
    half = RULE._replace(name="half", covers=(Span(0x121, 0x130),), stored=Span(0x140, 0x142))
    assert refresh_order((half, RULE)) == (RULE, half)


def test_a_total_that_includes_its_own_field_is_no_cycle() -> None:
    assert refresh_order((TOTAL_8,)) == (TOTAL_8,)


def test_a_cycle_is_an_error_that_names_its_members_alone() -> None:
    first = nested("first", Span(0, 4), 10)
    second = nested("second", Span(8, 12), 20)
    third = nested("third", Span(20, 24), 2)
    outside = nested("outside", Span(0, 30), 40)
    with pytest.raises(ChecksumCycleError) as caught:
        refresh_order((outside, first, second, third))
    assert set(caught.value.names) == {"first", "second", "third"}
    chain = [*caught.value.names, caught.value.names[0]]
    for covering, covered in pairwise(chain):
        assert f"'{covering}' covers the field of '{covered}'" in str(caught.value)


def test_a_long_chain_of_rules_is_ordered_without_recursion() -> None:
    rules = [
        nested(f"{place}", Span(place * 2, place * 2 + 1), place * 2 + 2) for place in range(1500)
    ]
    names = [rule.name for rule in refresh_order(rules[::-1])]
    assert names == [rule.name for rule in rules]
