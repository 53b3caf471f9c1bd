"""Masking: the identity that went stands in no text, the vehicle's own stays."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.finding import Check, Verdict
from memtool.core.job.edit import Edit, Edits, KeptSpan
from memtool.core.job.events.kinds import FileAttached, ImageBlanked, ReadsBackedUp, StageChecked
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.report.masking import Masker
from memtool.core.role import Role
from memtool.core.span import Span
from tests.build import DONOR_VIN, VEHICLE_VIN

MASK = Masker([DONOR_VIN, VEHICLE_VIN], vehicle_vin=VEHICLE_VIN)
MASKED = DONOR_VIN[:3] + "•" * 14


@pytest.mark.parametrize(
    "written",
    [
        DONOR_VIN,
        DONOR_VIN.lower(),
        f"({DONOR_VIN})",
        f"read_{DONOR_VIN}_2.bin",
        "-".join(DONOR_VIN),
        " ".join([DONOR_VIN[:3], DONOR_VIN[3:9], DONOR_VIN[9:]]),
        DONOR_VIN[::-1],
        DONOR_VIN.encode().hex(),
        DONOR_VIN.encode().hex(" ").upper(),
        DONOR_VIN[::-1].encode().hex(":"),
        "/".join(DONOR_VIN),
        ", ".join(DONOR_VIN),
        DONOR_VIN[:3] + "  " + DONOR_VIN[3:9] + "\r\n        " + DONOR_VIN[9:],
        "\N{EN DASH}".join(DONOR_VIN),
        "\N{NON-BREAKING HYPHEN}".join(DONOR_VIN),
        "\N{SOFT HYPHEN}\N{ZERO WIDTH SPACE}".join(DONOR_VIN),
        ", ".join(f"0x{byte:02X}" for byte in DONOR_VIN.encode()),
        DONOR_VIN.lower().encode().hex(" "),
        "\\x0a".join(DONOR_VIN),
        "\\u200b \\x0d\\x0a".join(DONOR_VIN),
        "\\U000e0001".join(DONOR_VIN),
        "".join(chr(ord(character) + 0xFEE0) for character in DONOR_VIN),
    ],
)
def test_every_way_of_writing_the_identity_is_masked(written: str) -> None:
    masked = MASK.text(f"the donor: {written}.")
    assert "•" in masked
    plain = unicodedata.normalize("NFKC", masked.split(": ", 1)[1]).upper()
    letters = [character for character in plain if character.isalnum()]
    assert DONOR_VIN[5:] not in "".join(letters)
    assert DONOR_VIN[5:][::-1] not in "".join(letters)


def test_tails_are_masked_where_they_stand_alone_and_nowhere_else() -> None:
    tail = DONOR_VIN[-6:]
    assert MASK.text(f"serial {tail}, dump-{tail}.bin") == "serial ••••••, dump-••••••.bin"
    assert MASK.text(f"hash 7{tail}a") == f"hash 7{tail}a"
    # A line break that was made safe to print.
    assert MASK.text(f"VIN ends\\x0a{tail}") == "VIN ends\\x0a••••••"
    assert MASK.text(f"VIN ends\\u200b{tail}") == "VIN ends\\u200b••••••"


def test_the_vehicles_own_vin_stays_readable_in_every_way_of_writing() -> None:
    text = f"{VEHICLE_VIN} {VEHICLE_VIN.lower()} {VEHICLE_VIN[-6:]}"
    assert MASK.text(text) == text
    assert MASK.identity(VEHICLE_VIN) == VEHICLE_VIN


def test_a_tail_that_both_share_stays_readable() -> None:
    donor = DONOR_VIN[:11] + VEHICLE_VIN[11:]
    shared = Masker([donor], vehicle_vin=VEHICLE_VIN)
    assert shared.text(f"serial {VEHICLE_VIN[-6:]}") == f"serial {VEHICLE_VIN[-6:]}"


def test_another_vin_with_a_matching_check_digit_is_masked_too() -> None:
    # 49 CFR 565.15's worked VIN, with the check digit that its rule gives.
    assert MASK.text("was 11111111111111111 here") == "was 111•••••••••••••• here"
    part = "DZ410700000000C12"
    assert MASK.text(part) == part


def test_the_shops_copy_is_left_alone() -> None:
    shop = Masker([DONOR_VIN], vehicle_vin=VEHICLE_VIN, active=False)
    assert shop.text(DONOR_VIN) == DONOR_VIN
    assert shop.identity(DONOR_VIN) == DONOR_VIN


@given(before=st.text(max_size=30), after=st.text(max_size=30))
def test_no_surrounding_text_keeps_the_identity_readable(before: str, after: str) -> None:
    assert DONOR_VIN not in MASK.text(before + DONOR_VIN + after).upper()


@given(
    gaps=st.lists(
        st.text(
            st.characters(categories=["Pc", "Pd", "Ps", "Pe", "Pi", "Pf", "Po", "Sm", "Z", "Cc"]),
            max_size=4,
        ),
        min_size=17,
        max_size=17,
    ),
    small=st.lists(st.booleans(), min_size=17, max_size=17),
)
def test_no_way_of_writing_it_keeps_the_identity_readable(
    gaps: list[str], small: list[bool]
) -> None:
    written = "".join(
        (letter.lower() if lower else letter) + gap
        for letter, lower, gap in zip(DONOR_VIN, small, gaps, strict=True)
    )
    read = "".join(letter for letter in MASK.text(f"donor {written} end") if letter.isalnum())
    assert DONOR_VIN not in read.upper()
    assert DONOR_VIN[-6:] not in read
    assert read.startswith("donor")
    assert read.endswith("end")


def test_masking_a_long_text_takes_time_in_its_length_alone() -> None:
    # A start of the identity before each long gap would cost the square with a greedy search.
    text = (DONOR_VIN[0] + " " * 2_000) * 500
    assert MASK.text(text) == text


D = DONOR_VIN
SPAN = Span(0, 2)
EVENTS = [
    ReadsBackedUp(
        backup=D,
        role=Role.DONOR,
        chip=D,
        sha256=D,
        size=1,
        format="raw",
        base=0,
        read_count=1,
        agree=None,
        single_read_reason=D,
        reseated=D,
        names=(D, D),
        findings=(D,),
        memory=D,
        sitting=D,
    ),
    ImageBlanked(
        backup=D,
        out=f"/{D}/b\\{D}.bin",
        copy=D,
        format="raw",
        sha256=D,
        file_sha256=D,
        donor_sha256=D,
        layout=D,
        identities=(D,),
        edits=Edits.of([Edit(span=SPAN, old=b"ab", new=b"cd", reason=D, kind=RegionKind.STATE)]),
        kept=(KeptSpan(span=SPAN, reason=D),),
        checks=(Check(code="x", result=Verdict.NOT_CHECKED, text=D, reason=D),),
        leftovers=(D,),
        searched=D,
    ),
    StageChecked(
        stage=Stage.DONOR,
        verdict=StageVerdict.FAIL,
        subject=D,
        sha256=D,
        copy=D,
        reported_vins=(D, "RUBBISH"),
        codes=D,
        checks=(Check(code="x", result=Verdict.PASS, text=D),),
    ),
    FileAttached(path=D, name=D, sha256=D, caption=D),
]


@pytest.mark.parametrize("event", EVENTS, ids=lambda event: event.kind)
def test_whole_event_says_the_identity_nowhere(event: object) -> None:
    # Nested to show that depth does not matter.
    ((masked,),) = MASK.whole(((event,),))
    assert DONOR_VIN in repr(event)
    assert type(masked) is type(event)
    for end in (DONOR_VIN, DONOR_VIN[-8:], DONOR_VIN[-6:]):
        assert end not in repr(masked)


def test_whole_event_keeps_all_that_is_no_text() -> None:
    masked = MASK.whole(EVENTS[1])
    assert isinstance(masked, ImageBlanked)
    (edit,) = masked.edits
    assert (edit.span, edit.old, edit.new, edit.kind) == (SPAN, b"ab", b"cd", RegionKind.STATE)
    assert masked.checks[0].result is Verdict.NOT_CHECKED
    # Of a path the name alone is shown, with its folders on either kind of system gone.
    assert masked.out == f"{MASKED}.bin"


def test_a_named_tuple_stays_what_it_is_and_keeps_all_that_is_no_text() -> None:
    region = Region(name=f"of {D}", span=SPAN, kind=RegionKind.STATE)
    ((masked,),) = MASK.whole(((region,),))
    assert masked == Region(name=f"of {MASKED}", span=SPAN, kind=RegionKind.STATE)
    assert type(masked) is Region


def test_a_reported_text_of_any_shape_is_masked_as_an_identity() -> None:
    masked = MASK.whole(EVENTS[2])
    assert isinstance(masked, StageChecked)
    assert "RUBBISH" not in masked.reported_vins[1]
    own = StageChecked(
        stage=Stage.DONOR,
        verdict=StageVerdict.PASS,
        checks=(),
        subject=None,
        sha256=None,
        copy=None,
        reported_vins=(VEHICLE_VIN,),
    )
    assert MASK.whole(own) == own


def test_time_is_shown_though_its_digits_may_be_the_end_of_an_identity() -> None:
    event = FileAttached(path="p", name="n", sha256="s", caption=None, time=f"…{DONOR_VIN[-6:]}")
    assert MASK.whole(event).time == event.time


def test_checksum_that_was_made_from_the_identity_is_masked_in_its_check_alone() -> None:
    mask = Masker([D], vehicle_vin=VEHICLE_VIN, telling_values=["fad5"])
    text = "The checksum is right (FA D5); stored 12 34."
    check = Check(code="checksum", result=Verdict.PASS, text=text)
    other = Check(code="size", result=Verdict.PASS, text=text)
    older = Check(code="checksum", result=Verdict.PASS, text="Stored by 0.1.0 (fad5).")
    assert mask.whole(check).text == "The checksum is right (•• ••); stored 12 34."
    assert mask.whole(older).text == "Stored by 0.1.0 (••••)."
    assert mask.whole(other).text == text


def test_shop_copy_is_the_event_itself() -> None:
    mask = Masker([D], vehicle_vin=VEHICLE_VIN, telling_values=["fad5"], active=False)
    for event in (EVENTS[0], EVENTS[3]):
        assert mask.whole(event) == event
