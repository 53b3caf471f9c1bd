"""Each rule of a draft on small images made for it."""

from __future__ import annotations

import binascii
import random
from collections.abc import Sequence

import pytest

from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.drafting import steps
from memtool.core.drafting.draft import Draft, ModuleReads, RegionGuess
from memtool.core.drafting.steps import draft_layout
from memtool.core.image import Image
from memtool.core.layouts.layout import FieldType, RegionKind
from memtool.core.layouts.region import BlankSource
from memtool.core.role import Role
from memtool.core.span import Span
from tests.module_families import make_vin, swap_words

VINS = (
    *("1M8GDM9AXKP042788", "1G4AH59H45G118341"),
    *(make_vin("1GNEK13", random.Random(number)) for number in range(2)),
)
"""Worked examples of check digits (Wikipedia; 49 CFR 565.15, Table VI), then invented ones."""
SIZE = 256


def memory(*pieces: tuple[int, bytes], size: int = SIZE, fill: int = 0xFF) -> bytes:
    """Pieces over erased bytes."""
    content = bytearray([fill]) * size
    for start, data in pieces:
        content[start : start + len(data)] = data
    return bytes(content)


def module(*reads: bytes, name: str = "module", role: Role | None = None) -> ModuleReads:
    return ModuleReads(
        name=name, role=role, vin=None, reads=tuple(Image.from_bytes(read) for read in reads)
    )


def draft(*memories: bytes, reference: bytes | None = None) -> Draft:
    modules = [module(content, name=f"m{number}") for number, content in enumerate(memories)]
    if reference is not None:
        modules.append(module(reference, name="new", role=Role.REFERENCE))
    return draft_layout(modules)


def at(result: Draft, address: int) -> RegionGuess:
    """The guess that holds an address."""
    found = [guess for guess in result.regions if address in guess.region.span]
    assert len(found) == 1, f"{address:#x}: {result.regions}"
    return found[0]


def kinds_at(result: Draft, addresses: Sequence[int]) -> set[RegionKind]:
    return {
        guess.region.kind
        for guess in result.regions
        for address in addresses
        if address in guess.region.span
    }


def test_vin_is_seventeen_wide_though_few_characters_differ() -> None:
    near = "1M8GDM9A1KP042789"
    result = draft(memory((0x20, VINS[0].encode())), memory((0x20, near.encode())))
    region = at(result, 0x20).region
    assert (region.span, region.type) == (Span(0x20, 0x31), FieldType.VIN)
    assert "of its 17 characters differ" in " ".join(at(result, 0x20).evidence)


def test_copies_that_always_agree_are_copies_in_any_form() -> None:
    images = [
        memory((0x20, vin.encode()), (0x60, vin.encode()[::-1]), (0xA0, invert(vin)))
        for vin in VINS[:2]
    ]
    result = draft(*images)
    assert [at(result, a).region.stored_as for a in (0x20, 0x60, 0xA0)] == [
        "plain",
        "reversed",
        "inverted",
    ]
    assert [at(result, a).region.copy_of for a in (0x20, 0x60, 0xA0)] == [None, "VIN", "VIN"]


def test_first_and_present_vin_that_differ_in_one_module_are_no_copies() -> None:
    result = draft(
        memory((0x20, VINS[0].encode()), (0x60, VINS[0].encode())),
        memory((0x20, VINS[1].encode()), (0x60, VINS[2].encode())),
    )
    assert at(result, 0x60).region.kind is RegionKind.VEHICLE_IDENTITY
    assert at(result, 0x60).region.copy_of is None


def test_records_that_are_empty_in_other_modules_are_identity_and_told_as_slots() -> None:
    result = draft(
        memory((0x20, VINS[0].encode())),
        memory((0x20, VINS[1].encode()), (0x40, VINS[2].encode())),
    )
    assert at(result, 0x40).region.kind is RegionKind.VEHICLE_IDENTITY
    assert any("slots at equal distances" in sentence for sentence in at(result, 0x40).evidence)


def test_reference_says_what_blank_looks_like_and_shows_state() -> None:
    images = [memory((0x20, vin.encode() + b"\x01")) for vin in VINS[:2]]
    result = draft(*images, reference=memory((0x20, b" " * 17 + b"\x00")))
    assert at(result, 0x20).region.blank_to == b" "
    assert at(result, 0x31).region.kind is RegionKind.STATE
    assert at(result, 0x31).region.blank_to == b"\x00"


def test_byte_beside_a_vin_that_the_reference_has_too_is_no_state() -> None:
    images = [memory((0x20, vin.encode() + b"\x01")) for vin in VINS[:2]]
    result = draft(*images, reference=memory((0x31, b"\x01")))
    assert RegionKind.STATE not in kinds_at(result, [0x31])


def test_without_reference_a_number_beside_a_vin_may_be_anybodys() -> None:
    images = [memory((0x20, vin.encode() + b"\x01")) for vin in VINS[:3]]
    assert kinds_at(draft(*images), [0x31]) == set()


def test_byte_beside_a_vin_that_is_another_number_in_the_reference_is_no_state() -> None:
    """A reference that is not blank there may be a module with other data."""
    images = [memory((0x20, vin.encode() + b"\x01")) for vin in VINS[:2]]
    assert kinds_at(draft(*images, reference=memory((0x31, b"\x07"))), [0x31]) == set()


def test_ring_of_counters_is_protected_whatever_checksum_would_fit() -> None:
    """Eight slots of three bytes with a running number, as a mileage store keeps them."""
    images = []
    for number, vin in enumerate(VINS[:3]):
        newest, first = 3 + number, 0x012345 + 0x1111 * number
        slots = [first + slot - (8 if slot > newest else 0) for slot in range(8)]
        ring = b"".join(value.to_bytes(3, "big") + b"\x00" for value in slots)
        images.append(memory((0x20, vin.encode()), (0x80, ring)))
    result = draft(*images)
    assert kinds_at(result, range(0x80, 0x9F)) == {RegionKind.PROTECTED}
    assert not [guess for guess in result.checksums if guess.rule.stored.start >= 0x80]


def test_no_checksum_is_proposed_over_content_that_did_not_vary() -> None:
    table = bytes((value * value) & 0xFF for value in range(64))
    guarded = table + binascii.crc32(table).to_bytes(4, "big")
    images = [memory((0x20, vin.encode()), (0x80, guarded)) for vin in VINS[:3]]
    result = draft(*images)
    assert not result.checksums
    assert at(result, 0x80).region.span == Span(0x80, 0xC4)


def test_short_empty_runs_part_nothing_that_is_equal_in_all() -> None:
    table = bytes(range(1, 20)) + b"\xff" * 8 + bytes(range(40, 60)) + bytes(20) + b"\x01" * 9
    images = [memory((0x20, vin.encode()), (0x80, table)) for vin in VINS[:2]]
    assert at(draft(*images), 0x80).region.span == Span(0x80, 0x80 + len(table))


def test_without_reference_blank_is_called_a_guess() -> None:
    result = draft(*(memory((0x20, vin.encode())) for vin in VINS[:2]))
    assert at(result, 0x20).region.blank_to is BlankSource.ERASED
    assert any("is a guess" in sentence for sentence in at(result, 0x20).evidence)


def test_banks_have_sequence_numbers() -> None:
    images = [
        memory((0x20, vin.encode() + bytes([step])), (0x60, vin.encode() + bytes([step + 1])))
        for vin, step in zip(VINS, (4, 200, 77), strict=False)
    ]
    result = draft(*images)
    for address in (0x31, 0x71):
        assert at(result, address).region.kind is RegionKind.STATE
        assert at(result, address).region.name.startswith("sequence number")


def test_what_counts_between_reads_is_protected_and_never_state() -> None:
    def counting(count: int) -> bytes:
        return memory((0x20, VINS[0].encode()), (0x40, count.to_bytes(4, "big")))

    other = memory((0x20, VINS[1].encode()), (0x40, (77_000).to_bytes(4, "big")))
    result = draft_layout([module(counting(5_011), counting(5_013)), module(other)])
    guess = at(result, 0x43)
    assert guess.region.kind is RegionKind.PROTECTED
    assert guess.region.span == Span(0x40, 0x44)
    assert guess.region.type is FieldType.U32BE
    assert "mileage" in " ".join(guess.evidence)


def test_what_looks_random_is_protected_and_its_bytes_are_not_quoted() -> None:
    secrets = [random.Random(number).randbytes(32) for number in range(2)]
    result = draft(
        *(
            memory((0x20, vin.encode()), (0x80, secret))
            for vin, secret in zip(VINS, secrets, strict=False)
        )
    )
    guess = at(result, 0x85)
    assert guess.region.kind is RegionKind.PROTECTED
    text = " ".join(guess.evidence).lower()
    assert not any(secret[:2].hex() in text for secret in secrets)


def test_short_random_data_stays_unknown() -> None:
    images = [
        memory((0x20, vin.encode()), (0x80, random.Random(vin).randbytes(4))) for vin in VINS[:2]
    ]
    assert any(span.contains(Span(0x80, 0x84)) for span in draft(*images).unknown)


def test_serial_part_number_and_date_belong_to_the_module() -> None:
    images = [
        memory(
            *((0x00, b"DZ-4107-C "), (0x10, serial), (0x20, bytes.fromhex(date))),
            (0x40, vin.encode()),
        )
        for vin, serial, date in zip(
            VINS, (b"C0281140455X", b"C0281139102K"), ("20200214", "20170630"), strict=False
        )
    ]
    result = draft(*images)
    for address in (0x00, 0x10, 0x20):
        assert at(result, address).region.kind is RegionKind.MODULE_IDENTITY
        assert at(result, address).region.blank_to is None
    assert at(result, 0x20).region.type is FieldType.BCD


def test_date_right_behind_a_serial_is_not_taken_for_its_padding() -> None:
    images = [
        memory((0x10, serial + bytes.fromhex(date)), (0x40, vin.encode()))
        for vin, serial, date in zip(
            VINS, (b"C0281140455X", b"C0281139102K"), ("20200214", "20170630"), strict=False
        )
    ]
    assert at(draft(*images), 0x1C).region.span == Span(0x1C, 0x20)


def test_two_tables_of_small_numbers_are_no_configuration() -> None:
    """As in pieces of real firmware: nearly all bytes differ, the code behind them is equal."""
    drawn = random.Random(12)
    behind = bytes(drawn.choices((0, 1, 2, 4, 8, 16, 32), k=300))
    tables = [bytes(drawn.choices(values, k=112)) for values in ((1, 2), (4, 5, 6, 7))]
    result = draft(*(b"\xff" * 64 + table + behind + b"\xff" * 36 for table in tables))
    assert RegionKind.CONFIGURATION not in {guess.region.kind for guess in result.regions}


def test_configuration_is_small_numbers_that_differ_by_few_bits() -> None:
    first = [1, 0, 3, 0, 2, 8, 0, 4, 1, 1, 0, 2, 1, 0, 6, 1]
    second = [1, 1, 3, 0, 2, 9, 0, 4, 1, 0, 0, 2, 1, 0, 4, 1]
    options = [bytes(first), bytes(second)]
    result = draft(
        *(
            memory((0x20, vin.encode()), (0x80, data))
            for vin, data in zip(VINS, options, strict=False)
        )
    )
    assert at(result, 0x81).region.kind is RegionKind.CONFIGURATION
    assert at(result, 0x81).region.blank_to is None


def test_one_module_alone_tells_no_data_from_calibration() -> None:
    table = bytes(range(64))
    result = draft(memory((0x20, VINS[0].encode() + b"\x01"), (0x80, table)))
    kinds = {guess.region.kind for guess in result.regions}
    assert kinds == {RegionKind.VEHICLE_IDENTITY, RegionKind.UNUSED}
    assert any("One module alone" in note for note in result.notes)


def test_what_is_equal_in_all_is_calibration() -> None:
    table = bytes((value * value) & 0xFF for value in range(64))
    images = [memory((0x20, vin.encode()), (0x80, table)) for vin in VINS[:2]]
    assert at(draft(*images), 0x90).region.kind is RegionKind.CALIBRATION


def test_checksum_is_erased_where_the_reference_has_it_erased() -> None:
    result = draft(*map(sealed, VINS[:2]), reference=memory())
    (guess,) = result.checksums
    assert (guess.rule.algorithm, guess.rule.covers) == ("CRC-16/IBM-3740", (Span(0x20, 0x32),))
    assert guess.rule.when_blanked is WhenBlanked.ERASE


def test_checksum_is_refreshed_where_it_holds_in_the_reference() -> None:
    blank = bytes(18)
    reference = memory((0x20, blank), (0x32, binascii.crc_hqx(blank, 0xFFFF).to_bytes(2, "big")))
    (guess,) = draft(*map(sealed, VINS[:2]), reference=reference).checksums
    assert guess.rule.when_blanked is WhenBlanked.REFRESH


def test_checksum_that_reads_as_a_letter_is_cut_off_the_text_before_it() -> None:
    """An 8-bit sum that is printable in all modules lies right behind a serial number."""
    serials = (b"CK0010020001", b"CK0200100103", b"CK1000201004", b"CK0003000201")
    images = []
    for number, serial in enumerate(serials):
        total = bytes([sum(serial) & 0xFF])
        assert chr(total[0]).isalnum()
        images.append(memory((0x40, VINS[number].encode()), (0x10, serial + total)))
    result = draft(*images)
    assert at(result, 0x10).region.span == Span(0x10, 0x1C)
    assert [guess.rule.stored for guess in result.checksums] == [Span(0x1C, 0x1D)]


def test_nested_checksum_names_the_inner_one() -> None:
    images = []
    for vin, option in zip(VINS, (1, 4, 2), strict=False):
        content = bytearray(sealed(vin))
        content[0x34:0x40] = bytes([3, 0, option, 8, 0, 1, 2, 0, 4, 1, 0, option])
        outer = binascii.crc_hqx(bytes(content[0x20:0x40]), 0)
        content[0x40:0x42] = outer.to_bytes(2, "little")
        images.append(bytes(content))
    inner, outer_guess = draft(*images).checksums
    assert outer_guess.rule.covers == (Span(0x20, 0x40),)
    assert any(f"covers the field of {inner.rule.name}" in text for text in outer_guess.evidence)


def test_swapped_words_are_told_with_the_way_to_mend_them() -> None:
    images = [swap_words(memory((0x20, vin.encode()))) for vin in VINS[:2]]
    result = draft(*images)
    assert result.word_swapped
    assert any("--view swapped-16" in note for note in result.notes)
    taken = [
        guess.region.span
        for guess in result.regions
        if guess.region.kind is RegionKind.VEHICLE_IDENTITY
    ]
    assert taken == [Span(0x20, 0x30), Span(0x31, 0x32)]


def test_foreign_byte_in_the_last_swapped_word_is_left_alone() -> None:
    images = [swap_words(memory((0x20, vin.encode() + b"\x77"))) for vin in VINS[:2]]
    result = draft(*images)
    assert not any(
        0x30 in guess.region.span and guess.region.kind is RegionKind.VEHICLE_IDENTITY
        for guess in result.regions
    )


def test_module_without_any_vin_is_named_in_a_note() -> None:
    result = draft(memory((0x20, VINS[0].encode())), memory((0x20, b"\x01" * 17)))
    assert any("No VIN is known of m1" in note for note in result.notes)


def test_images_without_a_common_address_are_refused() -> None:
    modules = [
        ModuleReads(name="a", role=None, vin=None, reads=(Image.from_bytes(b"\x01" * 8),)),
        ModuleReads(
            name="b", role=None, vin=None, reads=(Image.from_bytes(b"\x01" * 8, base=0x100),)
        ),
    ]
    with pytest.raises(ValueError, match="no address in common"):
        draft_layout(modules)


def test_reference_alone_is_refused() -> None:
    with pytest.raises(ValueError, match="reference alone"):
        draft_layout([module(memory(), role=Role.REFERENCE)])


def invert(text: str) -> bytes:
    return bytes(255 - code for code in text.encode())


def sealed(vin: str) -> bytes:
    """A VIN, a flag, and a CRC of both."""
    block = vin.encode() + b"\x01"
    return memory((0x20, block), (0x32, binascii.crc_hqx(block, 0xFFFF).to_bytes(2, "big")))


def test_short_empty_regions_are_left_out_where_a_layout_would_have_too_many(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(steps, "MOST_TABLES", 8)
    # Checksums have no part in this and take their time.
    monkeypatch.setattr(steps, "add_checksums", lambda _: None)
    source = random.Random(8)
    # Six pieces of code, between them empty runs of which the first are the shortest.
    pieces, address = [], 0x100
    for number in range(6):
        pieces.append((address, source.randbytes(64)))
        address += 64 + 40 + number
    images = [memory((0x20, vin.encode()), *pieces, size=1024) for vin in VINS[:3]]
    result = draft(*images)
    empty = [each.region.span for each in result.regions if each.region.kind is RegionKind.UNUSED]
    assert empty
    assert len(result.regions) == 8
    left_out = [len(span) for span in result.unknown if len(span) >= 4]
    assert max(left_out) <= min(map(len, empty))
    assert any("at most 8 regions" in note and "left out" in note for note in result.notes)


def test_texts_that_are_the_same_in_all_are_left_out_before_those_that_differ(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(steps, "MOST_TABLES", 3)
    monkeypatch.setattr(steps, "add_checksums", lambda _: None)
    messages = [(0x10, b"LAMP LEFT OPEN 1"), (0x30, b"LAMP LEFT OPEN 2")]
    serials = (0x50, 0x60, 0x70)
    images = [
        memory(*messages, *((place, b"SN%02d%04d" % (number, 77 * place)) for place in serials))
        for number in (17, 28, 39)
    ]
    result = draft(*images)
    # The serials are the shorter ones, and the ones that are kept.
    assert [each.region.span for each in result.regions] == [
        Span(place, place + 8) for place in serials
    ]
    (note,) = (each for each in result.notes if "left out" in each)
    assert note.endswith("(empty and texts) are left out.")
