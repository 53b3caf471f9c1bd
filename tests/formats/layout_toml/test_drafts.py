"""Drafted layouts as TOML: what is written is what was guessed, and editing loses nothing else."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.checksums.checksum import ChecksumRule, WhenBlanked
from memtool.core.drafting.draft import ChecksumGuess, Confidence, Draft, ModuleReads, RegionGuess
from memtool.core.drafting.steps import draft_layout
from memtool.core.image import Image
from memtool.core.layouts.layout import ModuleKind
from memtool.core.layouts.region import BlankSource, Region, RegionKind
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.formats.layout_toml.drafts import (
    DraftHeader,
    blank_value,
    edit_layout_text,
    read_guess_texts,
    write_draft_text,
)
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, module_memory

HEADER = DraftHeader(
    name="test module",
    chip="24C02",
    module=ModuleKind.BODY,
    parts=("DZ-41[7]*",),
    drawn_from=("a.bin", "b\n\x1b[31m.bin"),
    date="2026-03-14",
)


def modules(*contents: bytes) -> list[ModuleReads]:
    return [
        ModuleReads(name=f"m{number}", role=None, vin=None, reads=(Image.from_bytes(content),))
        for number, content in enumerate(contents)
    ]


@pytest.fixture(scope="module")
def text() -> str:
    draft = draft_layout(modules(module_memory(DONOR_VIN), module_memory(VEHICLE_VIN, starts=9)))
    return write_draft_text(draft, HEADER)


def test_draft_is_a_valid_layout_that_says_what_was_guessed(text: str) -> None:
    draft = draft_layout(modules(module_memory(DONOR_VIN), module_memory(VEHICLE_VIN, starts=9)))
    layout = parse_layout(text)
    assert not layout.reviewed
    assert (layout.name, layout.chip, layout.size) == ("test module", "24C02", 256)
    fields = {rule.name for rule in layout.checksums}
    regions = [region for region in layout.regions if region.name not in fields]
    assert regions == [guess.region for guess in draft.regions]
    assert list(layout.checksums) == [guess.rule for guess in draft.checksums]


def test_evidence_stands_inside_each_table(text: str) -> None:
    by_name = {guess.name: guess for guess in read_guess_texts(text)}
    assert by_name["VIN"].comments[0] == "nearly certain"
    assert "configured modules holds a VIN" in by_name["VIN"].comments[1]
    assert all(guess.comments for guess in by_name.values())


def test_control_characters_of_a_file_name_do_not_reach_the_file(text: str) -> None:
    assert "\x1b" not in text
    assert parse_layout(text).parts == ("DZ-41[[]7][*]",)


def test_region_that_goes_takes_its_comments_along_and_frees_its_copies(text: str) -> None:
    edited = edit_layout_text(text, remove=["VIN"])
    layout = parse_layout(edited)
    assert layout.region_named("VIN") is None
    copy = layout.region_named("VIN again at 0x0050")
    assert copy is not None
    assert copy.copy_of is None
    before, after = (
        {guess.name: guess.comments for guess in read_guess_texts(each)} for each in (text, edited)
    )
    del before["VIN"]
    assert after == before


def test_new_name_is_carried_over_to_the_copies(text: str) -> None:
    layout = parse_layout(edit_layout_text(text, change={"VIN": {"name": "VIN, first"}}))
    copy = layout.region_named("VIN again at 0x0050")
    assert copy is not None
    assert copy.copy_of == "VIN, first"


def test_review_is_written_beside_the_key(text: str) -> None:
    edited = edit_layout_text(text, reviewed="by N. N., 2026-03-14: 3 accepted")
    assert parse_layout(edited).reviewed
    assert "reviewed = true # by N. N., 2026-03-14: 3 accepted\n" in edited


def test_everything_can_be_taken_out(text: str) -> None:
    names = [guess.name for guess in read_guess_texts(text)]
    edited = edit_layout_text(text, remove=names, reviewed="by N. N.")
    assert parse_layout(edited).regions == ()
    assert not any(line.startswith(("region", "checksum", "[[")) for line in edited.splitlines())


def test_layout_written_by_hand_keeps_its_own_comments() -> None:
    by_hand = LAYOUT.replace('[[region]]\nname = "VIN"', '[[region]]\n# mine\nname = "VIN"')
    edited = edit_layout_text(by_hand, remove=["options"], reviewed="by N. N.")
    assert "# mine" in edited
    assert parse_layout(edited).region_named("options") is None


def test_review_of_a_layout_that_never_said_so_is_written_into_it() -> None:
    by_hand = "".join(line for line in LAYOUT.splitlines(True) if "reviewed" not in line)
    assert not parse_layout(by_hand).reviewed
    assert parse_layout(edit_layout_text(by_hand, reviewed="by N. N.")).reviewed


def test_key_without_a_value_is_taken_out_where_it_is() -> None:
    without = {"type": None, "blank_to": None, "copy_of": None}
    edited = edit_layout_text(LAYOUT, change={"VIN": without})
    region, before = (parse_layout(text).region_named("VIN") for text in (edited, LAYOUT))
    assert region is not None
    assert before is not None
    assert before.type is not None
    assert region == before._replace(type=None, blank_to=None, copy_of=None)


WHOLE = """\
# Drafted 2026-03-14 from a.bin, b??[31m.bin.
# Every region is a guess until a person has reviewed it: benchimage layout review.
# Two modules are few.
# Of these bytes nothing is known: 0x0000+16, 0x0020+224.

[layout]
name = "test module"
chip = "24C02"
base = 0x0000
size = 256
erased = 0x0F
module = "body"
parts = ["DZ-41[[]7][*]"]
reviewed = false

[[region]]
# likely
# It counts.
name = "starts"
span = "0x0010+16"
kind = "state"
blank_to = 0x0F
"""
BARE = """\
# Drafted from .
# Every region is a guess until a person has reviewed it: benchimage layout review.

[layout]
name = "bare"
chip = "24C02"
base = 0x0000
size = 256
erased = 0xFF
module = "other"
reviewed = false
"""


def test_a_draft_is_written_word_for_word() -> None:
    region = Region(name="starts", span=Span(0x10, 0x20), kind=RegionKind.STATE, blank_to=b"\x0f")
    draft = Draft(
        span=Span(0, 256),
        erased=0x0F,
        regions=(
            RegionGuess(region=region, evidence=("It counts.",), confidence=Confidence.LIKELY),
        ),
        checksums=(),
        unknown=(Span(0, 0x10), Span(0x20, 0x100)),
        notes=("Two modules are few.",),
    )
    assert write_draft_text(draft, HEADER) == WHOLE
    bare = replace(draft, erased=0xFF, regions=(), unknown=(), notes=())
    header = DraftHeader(name="bare", chip="24C02", module=ModuleKind.OTHER)
    assert write_draft_text(bare, header) == BARE


def checksum(stored: Span, *, total: int | None = None) -> ChecksumGuess:
    algorithm = "SUM-8" if len(stored) == 1 else "SUM-16"
    rule = ChecksumRule(
        name=f"sum at {stored.start}",
        algorithm=algorithm if total is None else f"{algorithm}/TOTAL",
        covers=(Span(0, 16 if total is None else stored.end),),
        stored=stored,
        byte_order="little" if len(stored) > 1 else "big",
        total=total,
        when_blanked=WhenBlanked.REFRESH,
    )
    return ChecksumGuess(
        rule=rule, evidence=("It fits.",), confidence=Confidence.LIKELY, expected_by_chance=0.0
    )


def test_every_kind_of_guess_is_read_back_as_it_was_written() -> None:
    """Fields of one byte and of two, with a total and without; every kind of blank value."""
    blanks: tuple[BlankSource | bytes | None, ...] = (
        *(None, BlankSource.ERASED, BlankSource.REFERENCE, b"\x20", b"\x00\xff"),
    )
    regions = tuple(
        RegionGuess(
            region=Region(
                name=f"part {place}",
                span=Span(0x40 + 8 * place, 0x48 + 8 * place),
                kind=RegionKind.STATE,
                blank_to=blank,
            ),
            evidence=(),
            confidence=Confidence.POSSIBLE,
        )
        for place, blank in enumerate(blanks)
    )
    checksums = (checksum(Span(16, 17)), checksum(Span(18, 20)))
    draft = Draft(
        span=Span(0, 256),
        erased=0xFF,
        regions=regions,
        checksums=(*checksums, checksum(Span(20, 22), total=0x1234)),
        unknown=(),
        notes=(),
    )
    text = write_draft_text(draft, HEADER)
    assert "nothing is known" not in text
    layout = parse_layout(text)
    fields = {rule.name for rule in layout.checksums}
    found = [region for region in layout.regions if region.name not in fields]
    assert found == [guess.region for guess in regions]
    assert list(layout.checksums) == [guess.rule for guess in draft.checksums]
    assert [blank_value(region) for region in found] == [None, "erased", "reference", 32, "00 FF"]


_PIECES = st.lists(
    st.one_of(
        st.binary(min_size=1, max_size=30),
        st.sampled_from([b"\xff" * 24, bytes(24), DONOR_VIN.encode(), b"DZ-4107-C "]),
        st.text("0123456789ABCDEF", min_size=1, max_size=20).map(str.encode),
    ),
    min_size=1,
    max_size=8,
)


@settings(max_examples=12, deadline=None)
@given(pieces=_PIECES, seed=st.integers(0, 1 << 16), count=st.integers(1, 4), base=st.booleans())
def test_draft_of_any_images_is_a_valid_layout(
    pieces: list[bytes], seed: int, count: int, base: bool
) -> None:
    """Whatever lies in the images, in one or two segments, with and without a reference."""
    rng = random.Random(seed)
    content = b"".join(pieces)
    given_modules = []
    for number in range(count):
        changed = bytearray(content)
        for _ in range(rng.randrange(4)):
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
        cut = len(changed) // 2 if base else 0
        image = Image.from_pieces([(0x100, bytes(changed[:cut])), (0x400, bytes(changed[cut:]))])
        role = Role.REFERENCE if number == 3 else None
        given_modules.append(
            ModuleReads(name=str(number), role=role, vin=DONOR_VIN, reads=(image,))
        )
    draft = draft_layout(given_modules)
    header = DraftHeader(name="any", chip="256M", module=ModuleKind.OTHER)
    layout = parse_layout(write_draft_text(draft, header))
    assert len(layout.checksums) == len(draft.checksums)
    assert layout.size == len(draft.span)


def test_of_many_unknown_runs_the_first_hundred_are_listed() -> None:
    unknown = tuple(Span(place, place + 1) for place in range(0, 206, 2))
    draft = Draft(
        span=Span(0, 256), erased=0xFF, regions=(), checksums=(), unknown=unknown, notes=()
    )
    text = write_draft_text(draft, HEADER).replace("\n# ", " ")
    assert "0x00C4+1, 0x00C6+1 and 3 more runs." in text
    assert "0x00C8" not in text
