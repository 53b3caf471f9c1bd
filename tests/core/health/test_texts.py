"""Readable texts of a read, and which of them name the module itself."""

from __future__ import annotations

import pytest

from memtool.core.finding import Finding
from memtool.core.health.all_checks import find_health
from memtool.core.health.texts import TextKind, find_texts
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout, ModuleKind
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.span import Span


def told(data: bytes, code: str) -> Finding:
    return next(f for f in find_health(Image.from_bytes(data)) if f.code == code)


def test_texts_are_found_with_their_kind_and_place() -> None:
    data = b"\xff" * 16 + b"4711-0815-A\x00\xff\xff2019-04-27\xff\xff\xffDoor controller\x01"
    found = find_texts(Image.from_bytes(data, base=0x100))
    assert [(text.text, text.kind, text.span.start) for text in found] == [
        ("4711-0815-A", TextKind.PART_OR_SERIAL, 0x110),
        ("2019-04-27", TextKind.DATE, 0x11E),
        ("Door controller", TextKind.TEXT, 0x12B),
    ]


def test_texts_of_protected_regions_are_not_shown() -> None:
    layout = Layout(
        name="bench",
        chip="24C01",
        size=128,
        module=ModuleKind.BODY,
        regions=(Region(name="keys", span=Span(0x10, 0x30), kind=RegionKind.PROTECTED),),
    )
    data = bytearray(b"\xff" * 128)
    data[0x10:0x1A] = b"SECRETKEY1"
    data[0x40:0x4A] = b"PUBLIC9999"
    image = Image.from_bytes(bytes(data))
    assert [text.text for text in find_texts(image, layout)] == ["PUBLIC9999"]
    assert all("SECRET" not in f.text for f in find_health(image, layout=layout))


def test_a_vin_is_counted_and_not_shown() -> None:
    # 49 CFR 565.15 Table VI example.
    data = b"\xff" * 32 + b"1G4AH59H45G118341" + b"\xff" * 32
    finding = told(data, "content-texts")
    assert "1G4AH" not in finding.text
    assert finding.spans == (Span(32, 49),)
    data += b"4711-0815-A" + b"\xff" * 36
    for code in ("content-texts", "content-module-identity"):
        assert "1G4AH" not in told(data, code).text


def test_tables_that_creep_through_letters_are_no_text() -> None:
    assert find_texts(Image.from_bytes(b"\x01ABCDEFFEDCBA@AABBCC\x01")) == ()


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        # How such labels look: common practice, no source.
        ("HW04.2C", TextKind.HARDWARE_LEVEL),
        ("H/W: 0102", TextKind.HARDWARE_LEVEL),
        ("Hardware Rev. 3", TextKind.HARDWARE_LEVEL),
        ("SW_V1.27", TextKind.SOFTWARE_LEVEL),
        ("SW VERSION 0310", TextKind.SOFTWARE_LEVEL),
        ("S/N 0042117", TextKind.SERIAL_NUMBER),
        ("SERIAL NO: A7-99812", TextKind.SERIAL_NUMBER),
        ("P/N 4711-0815", TextKind.PART_NUMBER),
        ("PART NR 99 817 2", TextKind.PART_NUMBER),
        ("4711.0815 A", TextKind.PART_OR_SERIAL),
        ("27.04.2019", TextKind.DATE),
        ("SWITCH OPEN", TextKind.TEXT),
        ("SERIAL PORT", TextKind.TEXT),
        ("PARTICLE FILTER", TextKind.TEXT),
        ("Snow 2019", TextKind.TEXT),
        ("part time 100", TextKind.TEXT),
        ("limit 4711", TextKind.TEXT),
    ],
)
def test_text_is_taken_for_what_its_label_says(text: str, kind: TextKind) -> None:
    (found,) = find_texts(Image.from_bytes(b"\xff" + text.encode() + b"\xff"))
    assert (found.text, found.kind) == (text, kind)


def test_identity_of_the_module_is_told_by_kind_and_place() -> None:
    texts = (b"0815-4711", b"SW0310", b"Door controller", b"HW04.2C", b"AB9173526")
    data = b"\xff\xff".join((b"", *texts, b""))
    finding = told(data, "content-module-identity")
    assert finding.text == (
        "Looks like the module's own identity: hardware level 'HW04.2C' at 0x0026;"
        " software level 'SW0310' at 0x000D;"
        " part or serial number '0815-4711' at 0x0002, 'AB9173526' at 0x002F."
    )
    assert [data[span.start : span.end] for span in finding.spans] == [
        text for text in texts if text != b"Door controller"
    ]
    assert told(data, "content-texts").text == "One readable text: 'Door controller' at 0x0015."


def test_only_the_first_of_many_are_named() -> None:
    data = b"\x00".join(b"%06d-A" % (7919 * number) for number in (1, 1, *range(1, 60)))
    text = told(data, "content-module-identity").text
    assert text.count("'007919-A'") == 1
    assert text.count("' at 0x") == 5
    assert text.endswith(", ....")


def test_long_text_of_marks_is_text_at_once() -> None:
    """It would take such an expression hours to try all ways to share the marks out."""
    (found,) = find_texts(Image.from_bytes(b"HW0000" + b"-_" * 150_000 + b"!"))
    assert found.kind is TextKind.TEXT


def test_sentence_stays_short_with_long_texts_at_high_addresses() -> None:
    labels = (b"P/N", b"S/N", b"A7")
    texts = [b"HARDWARE VERSION 4-071-0815", b"SOFTWARE VERSION 4-071-0815"]
    texts += [label + b" 4711-0815-9273-6650" for label in labels]
    data = b"\xff\xff".join((b"", *texts, b""))
    found = find_health(Image.from_bytes(data, base=0xFFFF0000))
    (finding,) = [each for each in found if each.code == "content-module-identity"]
    assert len(finding.text) <= 240
    assert finding.text.endswith(", ....")
    assert len(finding.spans) == len(texts) > finding.text.count(" at 0x")
