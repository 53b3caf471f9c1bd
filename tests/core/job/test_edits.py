"""Edits as columns: the same come back, from the journal's facts too, and none that are absurd."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.job.edit import Edit, Edits
from memtool.core.job.events.kinds import ImageBlanked
from memtool.core.job.packed_bytes import pack_bytes, unpack_bytes
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span

KINDS = (RegionKind.STATE, RegionKind.CHECKSUM)
BLANKED = ImageBlanked(
    backup="c1",
    out="out.bin",
    copy="files/out.bin",
    format="raw",
    sha256="aa",
    file_sha256="bb",
    donor_sha256="cc",
    layout=None,
    identities=(),
    edits=Edits(),
    kept=(),
    checks=(),
)


@st.composite
def some_edits(draw: st.DrawFn, most: int = 8) -> list[Edit]:
    edits, end = [], 0
    for _ in range(draw(st.integers(0, most))):
        start = end + draw(st.integers(0, 3))
        size = draw(st.integers(1, 5))
        end = start + size
        bytes_ = st.binary(min_size=size, max_size=size)
        reason, kind = draw(st.sampled_from(["a", "b"])), draw(st.sampled_from(KINDS))
        edits.append(
            Edit(
                span=Span(start, end), old=draw(bytes_), new=draw(bytes_), reason=reason, kind=kind
            )
        )
    return edits


def many_edits(count: int = 300) -> list[Edit]:
    """More than are written one by one, every third beside the one before."""
    return [
        Edit(
            span=Span(start := 4 * number - (number % 3 == 0), start + 3),
            old=bytes([number % 256, number // 256, 7]),
            new=b"\xff\xff\xff",
            reason=f"region {number // 100}",
            kind=KINDS[number % 2],
        )
        for number in range(1, count + 1)
    ]


def through_facts(edits: Edits) -> tuple[Any, ImageBlanked]:
    """How the facts hold them, and the event that a reader makes of the facts' text."""
    facts = json.loads(json.dumps(replace(BLANKED, edits=edits).to_facts()))
    return facts["edits"], ImageBlanked.from_facts(facts, number=0, time="")


@given(some_edits())
def test_the_same_edits_come_back(edits: list[Edit]) -> None:
    held = Edits.of(edits)
    assert list(held) == edits
    assert len(held) == len(edits)
    assert held.size == sum(len(edit.span) for edit in edits)
    assert list(held.pieces()) == [(e.span.start, e.span.end, e.old, e.new) for e in edits]
    assert {address for span in held.spans for address in range(span.start, span.end)} == {
        address for edit in edits for address in range(edit.span.start, edit.span.end)
    }
    assert held.of_kinds(KINDS[0]) == tuple(edit for edit in edits if edit.kind is KINDS[0])
    assert held.told_reasons() == tuple(dict.fromkeys(edit.reason for edit in edits))
    told, event = through_facts(held)
    assert event.edits == held
    assert [(each["old"], each["new"], each["reason"]) for each in told] == [
        (edit.old.hex(), edit.new.hex(), edit.reason) for edit in edits
    ]


@given(some_edits(), st.sets(st.integers(0, 70)))
def test_hidden_bytes_are_zeros_and_all_others_stay(edits: list[Edit], hidden: set[int]) -> None:
    shown = Edits.of(edits).hiding(Span(at, at + 1) for at in hidden)
    expected = [
        bytes(0 if at in hidden else byte for at, byte in enumerate(edit.old, edit.span.start))
        for edit in edits
    ]
    assert [edit.old for edit in shown] == expected
    assert [(edit.span, edit.new) for edit in shown] == [(edit.span, edit.new) for edit in edits]


def test_many_are_columns_in_the_facts() -> None:
    edits = many_edits()
    told, event = through_facts(Edits.of(edits))
    assert isinstance(told, dict)
    assert list(event.edits) == edits
    assert event.edits[5] == edits[5]
    assert event.edits[-2:] == tuple(edits[-2:])
    # What comes is one value throughout, and told by it; what goes is there, byte by byte.
    assert told["new"] == [["ff", 900]]
    assert "".join(digits for digits, _ in told["old"]) == b"".join(e.old for e in edits).hex()


def test_many_that_were_written_one_by_one_are_read() -> None:
    """As every job of the first version has them."""
    edits = many_edits()
    facts = json.loads(json.dumps(BLANKED.to_facts()))
    facts["edits"] = [each for edit in edits for each in through_facts(Edits.of([edit]))[0]]
    assert list(ImageBlanked.from_facts(facts, number=0, time="").edits) == edits


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("edges", [4, 2]),
        ("edges", [0, 900]),
        ("edges", [-900, 0]),
        ("numbers", [9] * 300),
        ("numbers", [True] * 300),
        ("reasons", []),
        ("reasons", [["region 0", "no-such-kind"]]),
        ("old", [["00", 899]]),
        ("old", [["zz", 900]]),
        ("new", [["", 900]]),
        ("new", [["ff", -900]]),
        ("new", [["ff", 900.0]]),
        ("more", 1),
    ],
)
def test_columns_that_make_no_sense_are_refused(column: str, value: object) -> None:
    facts = json.loads(json.dumps(replace(BLANKED, edits=Edits.of(many_edits())).to_facts()))
    facts["edits"][column] = value
    with pytest.raises(ValueError, match="edits"):
        ImageBlanked.from_facts(facts, number=0, time="")


def test_columns_of_more_bytes_than_an_image_has_make_none() -> None:
    facts = json.loads(json.dumps(replace(BLANKED, edits=Edits.of(many_edits())).to_facts()))
    size = 1 << 40
    facts["edits"] |= {"edges": [0, size], "numbers": [0]}
    facts["edits"] |= {"old": [["00", size]], "new": [["ff", size]]}
    with pytest.raises(ValueError, match="edits"):
        ImageBlanked.from_facts(facts, number=0, time="")


def test_edits_out_of_order_or_over_another_are_none() -> None:
    one, other = many_edits(2)
    with pytest.raises(ValueError, match="by address"):
        Edits.of([other, one])
    with pytest.raises(ValueError, match="by address"):
        Edits.of([one, one])


@given(st.lists(st.tuples(st.binary(min_size=1, max_size=3), st.integers(1, 200)), max_size=6))
def test_packed_bytes_come_back_and_long_runs_are_short(pieces: list[tuple[bytes, int]]) -> None:
    data = b"".join(piece * count for piece, count in pieces)
    packed = pack_bytes(data)
    assert b"".join(bytes.fromhex(digits) * count for digits, count in packed) == data
    assert unpack_bytes(packed, len(data)) == data
    assert all(count == 1 or (len(digits) == 2 and count >= 64) for digits, count in packed)
    with pytest.raises(ValueError, match="bytes"):
        unpack_bytes(packed, len(data) + 1)
