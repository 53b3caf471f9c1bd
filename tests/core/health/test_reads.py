"""One read with one fault: which finding comes, with what severity, span and advice."""

from __future__ import annotations

import random
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.checksums.checksum import ChecksumRule, WhenBlanked
from memtool.core.chip import find_chip
from memtool.core.finding import Finding, Severity
from memtool.core.health.all_checks import find_faults, find_health, judge_health
from memtool.core.health.judgeable import QUESTIONS
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout, ModuleKind
from memtool.core.layouts.region import FieldType, Region, RegionKind
from memtool.core.span import Span
from tests.core.health.healthy_images import EDID, SPD_DDR3, make_vin, spd_ddr4

ROOT = Path(__file__).parents[3]
SIZE = 2048
LONGEST = 240
"""Three lines of a terminal of 80 columns."""


def content(seed: int = 1, size: int = SIZE) -> bytes:
    """Random records, half of the chip erased."""
    drawn = random.Random(seed)
    return drawn.randbytes(size // 4) + b"\xff" * (size // 2) + drawn.randbytes(size // 4)


def with_vin(*, vin: bytes, at: int = 0x220, seed: int = 1) -> bytes:
    data = bytearray(content(seed))
    data[at : at + len(vin)] = vin
    return bytes(data)


# 49 CFR 565.15 Table VI example, see the tests of VINs.
VIN = b"1G4AH59H45G118341"


def rated(found: tuple[Finding, ...]) -> list[Finding]:
    return [finding for finding in found if finding.severity is not Severity.INFO]


def look(data: bytes, **known: object) -> list[Finding]:
    found = find_health(Image.from_bytes(data), **known)  # type: ignore[arg-type]
    sentences = [finding for finding in found if finding.code != "not-judged"]
    assert all(len(finding.text) <= LONGEST for finding in sentences)
    assert all(finding.text.endswith((".", "?")) for finding in found)
    return rated(found)


def only(data: bytes, **known: object) -> Finding:
    (finding,) = look(data, **known)
    return finding


# --- a clean read -----------------------------------------------------------------------


def test_a_healthy_read_has_information_alone() -> None:
    assert look(with_vin(vin=VIN), chip=find_chip("24C16")) == []


# --- what was judged --------------------------------------------------------------------


def judged(data: bytes, **known: Any) -> tuple[str, ...]:
    return judge_health(Image.from_bytes(data), **known).judged


def unjudged(data: bytes, **known: Any) -> str:
    found = judge_health(Image.from_bytes(data), **known).findings
    return next((finding.text for finding in found if finding.code == "not-judged"), "")


def test_only_a_layout_lacks_where_a_vin_stands_in_a_read_of_a_known_chip() -> None:
    known = {"chip": find_chip("24C16"), "claimed_new": True, "alone": False}
    asked = set(QUESTIONS) - set(judged(with_vin(vin=VIN), **known))
    assert asked == {"erased regions", "bytes added or lost at the start"}


def test_a_lone_read_never_claims_a_good_contact() -> None:
    assert "weak contact (this is one read)" in unjudged(with_vin(vin=VIN))
    assert "weak contact" not in unjudged(with_vin(vin=VIN), alone=False)


@pytest.mark.parametrize(
    ("question", "reason"),
    [
        ("size", "no chip given"),
        ("order of bytes in words", "no VIN, word or layout to judge by"),
        ("data lines crossed or bits reordered", "no VIN, word or layout to judge by"),
        ("erased regions", "no layout"),
        ("identity in a new module", "not said to be new with --new"),
    ],
)
def test_what_a_read_without_text_cannot_answer_is_said_with_the_reason(
    question: str, reason: str
) -> None:
    noise = random.Random(8).randbytes(1024)
    assert question not in judged(noise)
    told = unjudged(noise)
    assert question in told
    assert f"({reason})" in told


@pytest.mark.parametrize("order", ["inverted", "bits-reversed", "swapped-16"])
def test_no_order_is_called_right_where_another_one_would_pass_as_well(order: str) -> None:
    """Whatever passes in both orders cannot have been told apart."""
    noise = random.Random(9).randbytes(1024)
    other = bytes(byte ^ 0xFF for byte in noise)
    if order == "bits-reversed":
        other = bytes(int(f"{byte:08b}"[::-1], 2) for byte in noise)
    if order == "swapped-16":
        other = bytes(noise[at ^ 1] for at in range(len(noise)))
    assert look(noise) == look(other) == []
    for read in (noise, other):
        assert not {question for question in judged(read) if "order" in question}


def test_a_data_line_that_never_changes_is_not_called_checked() -> None:
    text = (b"Plain TEXT of a module, 7 bits wide. " * 40)[:1024]
    assert "data lines stuck" not in judged(text)
    assert "bit 7 never changes here" in unjudged(text)


def test_an_empty_read_claims_nothing() -> None:
    assert judged(b"\xff" * 512) == ()


@pytest.mark.parametrize("published", [EDID, SPD_DDR3, spd_ddr4()], ids=["EDID", "DDR3", "DDR4"])
def test_published_contents_raise_no_alarm(published: bytes) -> None:
    assert look(published) == []


# --- size -------------------------------------------------------------------------------


def test_without_a_chip_the_fitting_chips_are_named() -> None:
    found = find_health(Image.from_bytes(content()))
    assert found[0].code == "size-fits"
    assert "24C16, 95160, 93C86" in found[0].text


@pytest.mark.parametrize(
    ("size", "code", "severity"),
    [
        (2047, "size-short", Severity.FAILURE),
        (2049, "size-long", Severity.FAILURE),
        (1024, "size-short", Severity.FAILURE),
    ],
)
def test_size_against_the_chosen_chip(size: int, code: str, severity: Severity) -> None:
    data = (content() + content(2))[:size]
    found = [f for f in look(data, chip=find_chip("24C16")) if f.code.startswith("size")]
    assert [(f.code, f.severity) for f in found] == [(code, severity)]


def test_a_read_that_repeats_the_chip_is_wrapped() -> None:
    found = look(content(1, 512) * 4, chip=find_chip("24C04"))
    assert found[0].code == "size-wrapped"
    assert "4 times" in found[0].text


def test_an_odd_size_names_the_nearest_chips() -> None:
    finding = only(content()[:2000])
    assert (finding.code, finding.severity) == ("size-odd", Severity.WARNING)
    assert "48 fewer than 24C16" in finding.text


@pytest.mark.parametrize("size", [16, 32, 48, 96, 192, 384, 640, 896, 1536, 3072, 40 * 128])
def test_sizes_that_memories_and_published_contents_have_are_not_blamed(size: int) -> None:
    assert look(random.Random(size).randbytes(size)) == []


def test_a_hex_file_whose_records_hold_has_lost_nothing() -> None:
    piece = random.Random(2).randbytes(1061)
    assert [finding.code for finding in look(piece)] == ["size-odd"]
    assert look(piece, in_records=True) == []


def test_whole_kilobytes_may_be_a_controllers_memory() -> None:
    assert look(content(1, 48 * 1024)) == []


def test_an_empty_file_is_a_failed_read() -> None:
    assert only(b"").code == "size-empty"


# --- contact ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"\xff" * SIZE, "all-ff"),
        (b"\x00" * SIZE, "all-00"),
        (b"\xa5" * SIZE, "one-byte"),
        (b"\xaa\x55" * (SIZE // 2), "short-pattern"),
        (bytes(range(32)) * (SIZE // 32), "short-pattern"),
        (bytes(range(256)) * (SIZE // 256), "counting-pattern"),
    ],
)
def test_no_content_is_a_failure_and_ends_the_questions(data: bytes, code: str) -> None:
    found = find_health(Image.from_bytes(data))
    assert [f.code for f in found] == ["size-fits", code]
    assert found[1].severity is Severity.FAILURE
    assert found[1].spans == (Span(0, SIZE),)


# --- wiring -----------------------------------------------------------------------------


@pytest.mark.parametrize("bit", range(10))
@pytest.mark.parametrize("level", [0, 1])
def test_a_stuck_address_line_is_named(bit: int, level: int) -> None:
    data = random.Random(bit).randbytes(SIZE)
    seen = bytes(data[index & ~(1 << bit) | level << bit] for index in range(SIZE))
    finding = only(seen)
    assert (finding.code, finding.severity) == ("address-line", Severity.FAILURE)
    assert f"A{bit} " in finding.text


def test_two_equal_halves_are_said_and_not_rated() -> None:
    found = find_health(Image.from_bytes(content(1, 1024) * 2))
    assert rated(found) == []
    assert "halves-equal" in [finding.code for finding in found]


def test_two_equal_halves_fail_where_the_layout_knows_of_no_copies() -> None:
    layout = make_layout(Region(name="VIN", span=Span(0x20, 0x31), kind=RegionKind.CONFIGURATION))
    codes = [finding.code for finding in look(content(1, 1024) * 2, layout=layout)]
    assert codes == ["halves-equal"]


@pytest.mark.parametrize("bit", range(8))
@pytest.mark.parametrize("level", [0, 1])
def test_a_stuck_data_line_is_named(bit: int, level: int) -> None:
    seen = bytes(byte | 1 << bit if level else byte & ~(1 << bit) for byte in content(3))
    finding = only(seen)
    assert finding.severity is Severity.FAILURE
    assert finding.code == ("data-bit-7-lost" if (bit, level) == (7, 0) else "data-line-stuck")
    assert f"D{bit} " in finding.text


def test_seven_bit_text_with_zeros_is_no_stuck_line() -> None:
    text = b"DOOR ZONE CONTROLLER\x00\x00\x01\x02PART 4711-0815\x00REV C\x00\x00"
    data = (text * 60)[:SIZE]
    assert not [f for f in look(data[:-7] + b"ENDING.") if f.code.startswith("data")]


def test_tables_of_records_are_no_stuck_lines() -> None:
    """Like a table in real firmware (Debian's u-boot-qemu): in each eight bytes one differs."""
    drawn = random.Random(6)
    places = [drawn.randrange(64) * 4 for _ in range(64)]
    assert look(b"".join(bytes([0x17, 0, 0, 0, low, 0x63, 8, 0]) for low in places)) == []


def test_a_stuck_line_is_named_where_records_differ() -> None:
    drawn = random.Random(7)
    records = b"".join(b"\x17\x00" + drawn.randbytes(14) for _ in range(32))
    assert only(bytes(value & 0xFE for value in records)).code == "data-line-stuck"


def test_shorted_data_lines_are_named() -> None:
    data = random.Random(8).randbytes(SIZE)
    seen = bytes(byte if byte & 0x24 == 0x24 else byte & ~0x24 for byte in data)
    finding = only(seen)
    assert finding.code == "data-lines-shorted"
    assert "D2 and D5" in finding.text


# --- order ------------------------------------------------------------------------------


def swapped(data: bytes, width: int) -> bytes:
    return b"".join(data[i : i + width][::-1] for i in range(0, len(data), width))


ORDERS = {
    "swapped-16": lambda data: swapped(data, 2),
    "swapped-32": lambda data: swapped(data, 4),
    "inverted": lambda data: bytes(byte ^ 0xFF for byte in data),
    "bits-reversed": lambda data: bytes(int(f"{byte:08b}"[::-1], 2) for byte in data),
}


@pytest.mark.parametrize("name", ORDERS)
def test_a_vin_in_another_order_names_the_view_that_mends_it(name: str) -> None:
    finding = only(ORDERS[name](with_vin(vin=VIN)))
    assert (finding.code, finding.severity) == (f"order-{name}", Severity.WARNING)
    assert f"benchimage convert --view {name}." in finding.text
    assert f"--reader-order MEMORY={name};" in finding.text


@pytest.mark.parametrize("name", ORDERS)
def test_an_expected_vin_without_check_digit_is_enough(name: str) -> None:
    # Position 9 is Z: no check digit (barcode encoder's test data, see the tests of VINs).
    vin = b"WP0ZZZ99ZTS392124"
    data = with_vin(vin=b"\x80" + vin + b"\x80")
    assert only(ORDERS[name](data), vin_texts=(vin.decode(),)).code == f"order-{name}"


@pytest.mark.parametrize("bits", range(1, 8))
def test_a_late_clock_is_told_by_a_vin(bits: int) -> None:
    stream = int.from_bytes(b"\xff" + with_vin(vin=VIN), "big") >> bits
    finding = only((stream & (1 << 8 * SIZE) - 1).to_bytes(SIZE, "big"))
    assert finding.code == "order-bits-shifted"
    assert f"shifted {bits} place" in finding.text


def test_crossed_data_lines_are_told_by_a_vin() -> None:
    data = bytes(
        byte & 0xF5 | (byte & 0x02) << 2 | (byte & 0x08) >> 2 for byte in with_vin(vin=VIN)
    )
    finding = only(data)
    assert finding.code == "data-lines-swapped"
    assert "bits 1 and 3" in finding.text


def test_a_vin_swapped_on_purpose_beside_plain_texts_is_left_alone() -> None:
    texts = b"\xff".join(
        [b"DOOR ZONE CONTROLLER", b"SOFTWARE VERSION", b"RELEASED BY THE SUPPLIER", b"ENGINE"] * 3
    )
    data = bytearray(with_vin(vin=texts, at=0x240))
    data[0x440 : 0x440 + 18] = swapped(VIN + b"\xff", 2)
    assert look(bytes(data)) == []


# --- order, by a layout -----------------------------------------------------------------


def make_layout(*regions: Region, rules: tuple[ChecksumRule, ...] = ()) -> Layout:
    return Layout(
        name="bench",
        chip="24C16",
        size=SIZE,
        module=ModuleKind.BODY,
        regions=regions,
        checksums=rules,
    )


def crc_16_ibm_3740(data: bytes) -> int:
    """Bit by bit, as the catalogue's parameters say: 1021, initial FFFF, not reflected."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1) ^ (0x1021 if register & 0x8000 else 0)
            register &= 0xFFFF
    return register


RULE = ChecksumRule(
    name="block",
    algorithm="CRC-16/IBM-3740",
    covers=(Span(0x40, 0x80),),
    stored=Span(0x80, 0x82),
    byte_order="big",
    total=None,
    when_blanked=WhenBlanked.REFRESH,
)


def with_checksum() -> bytes:
    data = bytearray(content(9))
    data[0x80:0x82] = crc_16_ibm_3740(bytes(data[0x40:0x80])).to_bytes(2, "big")
    return bytes(data)


def test_a_checksum_that_holds_as_read_says_nothing() -> None:
    assert look(with_checksum(), layout=make_layout(rules=(RULE,))) == []


@pytest.mark.parametrize("name", ORDERS)
def test_a_checksum_that_holds_in_another_order_names_it(name: str) -> None:
    finding = only(ORDERS[name](with_checksum()), layout=make_layout(rules=(RULE,)))
    assert finding.code == f"order-{name}"
    assert "'block' of the layout" in finding.text


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_dummy_bytes_are_told_by_a_checksum(number: int) -> None:
    data = (b"\x00" * number + with_checksum())[:SIZE]
    finding = only(data, layout=make_layout(rules=(RULE,)))
    assert finding.code == "order-bytes-shifted"
    assert f"{number} byte" in finding.text
    assert "fewer at the start" in finding.text


def test_lost_bytes_are_told_by_a_vin_field() -> None:
    region = Region(
        name="VIN, present",
        span=Span(0x220, 0x231),
        kind=RegionKind.VEHICLE_IDENTITY,
        type=FieldType.VIN,
    )
    data = (with_vin(vin=VIN) + b"\xff" * 2)[2:]
    finding = only(data, layout=make_layout(region))
    assert finding.code == "order-bytes-shifted"


# --- transfer ---------------------------------------------------------------------------


def binary(seed: int = 5, size: int = SIZE) -> bytes:
    return random.Random(seed).randbytes(size)


@pytest.mark.parametrize(
    ("damaged", "code"),
    [
        (binary().replace(b"\n", b"\r\n"), "transfer-lf-to-crlf"),
        (binary().replace(b"\n", b"\r\n")[:SIZE], "transfer-lf-to-crlf"),
        (binary().replace(b"\r", b""), "transfer-cr-dropped"),
        (binary().decode("utf-8", "replace").encode(), "transfer-replaced"),
        (binary().decode("latin-1").encode(), "transfer-two-bytes"),
        (binary().decode("ascii", "replace").encode("ascii", "replace"), "transfer-question-marks"),
        (binary(6, 65536).replace(b"\x1a", b"")[:5000], "transfer-cut-at-1a"),
        (binary()[:1900] + b"\x1a" * 20, "transfer-padded"),
        (binary().hex(" ").encode() + b"\n", "transfer-hex-text"),
    ],
)
def test_a_transfer_as_text_is_told(damaged: bytes, code: str) -> None:
    found = [finding for finding in look(damaged) if finding.code.startswith("transfer")]
    assert [finding.code for finding in found] == [code]
    assert "binary" in found[0].text


def test_text_with_crlf_and_accents_is_no_damage() -> None:
    line = "Türsteuergerät, Gehäuse geprüft: größter Wert\r\n".encode()
    data = (line * 60)[:SIZE]
    assert not [f for f in look(data) if f.code.startswith("transfer")]


# --- content ----------------------------------------------------------------------------


def test_a_region_that_must_be_filled_is_told_when_erased() -> None:
    regions = [
        Region(name="calibration", span=Span(0x240, 0x280), kind=RegionKind.CALIBRATION),
        Region(name="VIN", span=Span(0x300, 0x311), kind=RegionKind.VEHICLE_IDENTITY),
    ]
    finding = only(content(), layout=make_layout(*regions))
    assert (finding.code, finding.severity) == ("region-erased", Severity.WARNING)
    assert finding.spans == (Span(0x240, 0x280),)


def test_a_layout_of_another_size_is_told() -> None:
    codes = [f.code for f in look(content(1, 4096), layout=make_layout())]
    assert codes == ["size-not-layout"]


def test_a_vin_in_a_module_said_to_be_new_is_told() -> None:
    finding = only(with_vin(vin=VIN), claimed_new=True)
    assert (finding.code, finding.severity) == ("identity-in-new", Severity.WARNING)
    assert finding.spans == (Span(0x220, 0x231),)
    assert VIN.decode() not in finding.text


# --- all of them ------------------------------------------------------------------------


def test_addresses_are_absolute() -> None:
    image = Image.from_bytes(with_vin(vin=VIN), base=0x8000)
    found = find_health(image, claimed_new=True)
    (finding,) = rated(found)
    assert finding.spans == (Span(0x8220, 0x8231),)
    texts = next(finding for finding in found if finding.code == "content-texts")
    assert Span(0x8220, 0x8231) in texts.spans


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 5000), st.binary(min_size=1, max_size=400)), min_size=0, max_size=3
    ),
    st.sampled_from([None, "24C01", "93C66"]),
)
def test_no_content_makes_a_check_raise(pieces: list[tuple[int, bytes]], chip: str | None) -> None:
    placed, end = [], 0
    for gap, data in pieces:
        placed.append((end + gap, data))
        end += gap + len(data)
    image = Image.from_pieces(placed)
    found = find_health(image, chip=find_chip(chip) if chip else None)
    for finding in found:
        assert len(finding.text) <= LONGEST or finding.code == "not-judged"
        assert all(any(own.contains(span) for own in image.spans) for span in finding.spans)


def test_every_code_has_its_entry_in_the_page() -> None:
    page = (ROOT / "docs" / "health.md").read_text(encoding="utf-8")
    sources = (ROOT / "memtool" / "core" / "health").glob("*.py")
    # Every text of the shape of a code, whatever its first word.
    shape = re.compile(r'"([a-z]+(?:-[a-z0-9]+)+)"')
    texts = {text for path in sources for text in shape.findall(path.read_text(encoding="utf-8"))}
    codes = texts | {f"order-{name}" for name in ORDERS}
    assert len(codes) > 50
    missing = {code for code in codes if f"`{code}`" not in page}
    assert missing == set()


def test_the_page_and_vins_of_the_generator_are_sound() -> None:
    vin = make_vin(random.Random(2)).encode()
    assert only(ORDERS["inverted"](with_vin(vin=vin))).code == "order-inverted"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        bytes(256),
        b"\xff" * 4096,
        random.Random(1).randbytes(1024) * 2,
        b"SERIAL 0042 MOTOR DOOR LEFT " * 60 + b"\xff" * 368,
        bytes(byte & 0xFE for byte in random.Random(2).randbytes(2048)),
    ],
)
def test_faults_are_all_findings_that_are_more_than_information(data: bytes) -> None:
    image, chip = Image.from_bytes(data), find_chip("95160")
    faults = find_faults(image, chip=chip)
    told = find_health(image, chip=chip)
    assert [each for each in faults if each.severity is not Severity.INFO] == [
        each for each in told if each.severity is not Severity.INFO
    ]
    assert set(faults) <= set(told)
