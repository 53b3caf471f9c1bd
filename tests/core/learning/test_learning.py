"""What the maker's procedure wrote, told from images that are planted byte by byte.

What is expected is known from the plant, by slow loops over bytes; the store of records is
written by the demo's generator, which knows nothing of the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.drafting.draft import Confidence
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout, ModuleKind
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.learning.learned import Ended, Learned, WarningCode
from memtool.core.learning.learning import learn
from memtool.core.span import Span
from memtool.demo.tailgate import DONOR_VIN, VEHICLE_VIN
from memtool.demo.tailgate_flash import LAYOUT, SIZE, DataFlash, blanked, used_module
from memtool.formats.layout_toml.parsing import parse_layout

_SIZE = 96
_KINDS = [kind for kind in RegionKind if kind is not RegionKind.CHECKSUM]


def layout_of(regions: tuple[Region, ...], size: int = _SIZE) -> Layout:
    return Layout(name="t", chip="4K", base=0, size=size, module=ModuleKind.BODY, regions=regions)


def learn_from(
    layout: Layout,
    *,
    before: bytes,
    blanked: bytes,
    finished: bytes,
    original: bytes | None,
    hidden: tuple[Span, ...] = (),
    kept: tuple[Span, ...] = (),
) -> Learned:
    return learn(
        Ended(
            layout=layout,
            before=Image.from_bytes(before),
            blanked=Image.from_bytes(blanked),
            finished=Image.from_bytes(finished),
            original=None if original is None else Image.from_bytes(original),
            vehicle_vin=VEHICLE_VIN,
            hidden=hidden,
            kept=kept,
        )
    )


@dataclass(frozen=True)
class Planted:
    """A memory cut into pieces, some of them regions."""

    regions: tuple[Region, ...]
    blanked: bytes
    finished: bytes
    original: bytes
    hidden: tuple[Span, ...]


@st.composite
def memories(draw: st.DrawFn) -> Planted:
    regions, at = [], 0
    while at < _SIZE:
        end = min(_SIZE, at + draw(st.integers(1, 12)))
        kind = draw(st.sampled_from([None, None, *_KINDS]))
        if kind is not None:
            regions.append(Region(name=f"region {at}", span=Span(at, end), kind=kind))
        at = end
    was = draw(st.binary(min_size=_SIZE, max_size=_SIZE))
    original = draw(st.binary(min_size=_SIZE, max_size=_SIZE))
    ways = draw(st.lists(st.sampled_from("....oon"), min_size=_SIZE, max_size=_SIZE))
    finished = bytes(
        {".": old, "o": theirs, "n": old ^ 0x5A}[way]
        for way, old, theirs in zip(ways, was, original, strict=True)
    )
    hidden = draw(st.lists(st.integers(0, _SIZE - 4), max_size=2))
    return Planted(tuple(regions), was, finished, original, tuple(Span(h, h + 4) for h in hidden))


@settings(max_examples=60, deadline=None)
@given(memories())
def test_every_byte_that_was_written_is_told_once_and_nothing_protected_is_compared(
    planted: Planted,
) -> None:
    learned = learn_from(
        layout_of(planted.regions),
        before=planted.blanked,
        blanked=planted.blanked,
        finished=planted.finished,
        original=planted.original,
        hidden=planted.hidden,
    )
    changed = {i for i in range(_SIZE) if planted.blanked[i] != planted.finished[i]}
    like = {i for i in range(_SIZE) if planted.original[i] == planted.finished[i]}
    secret = {i for span in planted.hidden for i in range(span.start, span.end)}
    covered = {i for region in planted.regions for i in range(region.span.start, region.span.end)}
    assert learned.changed == len(changed)
    told = {place.name: place for place in learned.written}
    for region in planted.regions:
        inside = changed & set(range(region.span.start, region.span.end))
        place = told.pop(region.name, None)
        assert (place is not None) == bool(inside)
        if place is None:
            continue
        assert place.count == len(inside)
        if region.kind is RegionKind.PROTECTED or inside & secret:
            assert (place.is_protected, place.as_original) == (True, None)
        else:
            assert place.as_original == len(inside & like)
    assert told == {}
    seen: list[int] = []
    for place in learned.unexplained:
        bytes_ = [i for span in place.spans for i in range(span.start, span.end)]
        seen += bytes_
        # Bytes that a run takes in between are as in the original, and nobody's region.
        assert set(bytes_) - changed <= like - covered - secret
        assert place.is_protected == bool(set(bytes_) & secret)
        assert place.as_original == (None if place.is_protected else len(set(bytes_) & like))
    assert len(seen) == len(set(seen))
    assert set(seen) >= changed - covered
    for proposal in learned.proposals:
        assert proposal.region.kind is RegionKind.CONFIGURATION
        span = set(range(proposal.region.span.start, proposal.region.span.end))
        assert not span & secret
        if proposal.was is None:
            assert not span & covered
            assert span <= like
        else:
            assert proposal.was in (RegionKind.CALIBRATION, RegionKind.UNUSED)


_EQUIPMENT, _OTHER = bytes.fromhex("02041e000701"), bytes.fromhex("020414000301")
_STORED = {0x01, 0x02, 0x03, 0x04, 0x10, 0x30}
"""Keys that the demo's layout describes; all others it does not."""


@settings(max_examples=15, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0x10, 0x20, 0x21, 0x22, 0x30, 0x51, 0x52]),
            st.sampled_from(["original", "same", "own"]),
            st.binary(min_size=3, max_size=12),
        ),
        max_size=90,
    )
)
def test_records_are_told_by_key_wherever_they_were_written(
    writes: list[tuple[int, str, bytes]],
) -> None:
    original = used_module(
        "o", vin=VEHICLE_VIN, serial="MC4400918223", equipment=_EQUIPMENT, keys=bytes(16), days=90
    )
    theirs = values_of(original)
    donor = used_module(
        "d",
        vin=DONOR_VIN,
        serial="MC4400517760",
        equipment=_OTHER,
        keys=bytes(range(16)),
        days=120,
    )
    written = blanked(donor)
    flash = DataFlash(written)
    for key, way, own in writes:
        now = values_of(bytes(flash.data))
        own = (own * 16)[: {0x10: 6, 0x30: 16}.get(key, len(own))]  # As the layout has them.
        value = {"original": theirs.get(key, own), "same": now.get(key, own), "own": own}[way]
        flash.write(key, value)
    finished = bytes(flash.data)
    learned = learn_from(
        parse_layout(LAYOUT), before=donor, blanked=written, finished=finished, original=original
    )
    before, after = values_of(written), values_of(finished)
    changed = {key for key in after if after[key] != before.get(key)}
    told = {int(place.key[0]): place for place in learned.unexplained if place.key is not None}
    assert set(told) == changed - _STORED
    for key, place in told.items():
        as_original = len(after[key]) if after[key] == theirs.get(key) else 0
        assert (place.count, place.as_original) == (len(after[key]), as_original)
        assert b"".join(finished[s.start : s.end] for s in place.spans) == after[key]
    regions = {place.name: place for place in learned.written}
    assert ("equipment" in regions) == (0x10 in changed)
    assert ("taught keys" in regions) == (0x30 in changed)
    if "taught keys" in regions:
        assert regions["taught keys"].is_protected
        assert regions["taught keys"].as_original is None
    follows = {key for key in changed - _STORED if after[key] == theirs.get(key) and key in theirs}
    assert {proposal.key for proposal in learned.proposals} == {(key,) for key in follows}
    assert all(each.store == "data flash" for each in learned.proposals)
    (moved,) = learned.checksums or [None]
    assert (moved is None) == (finished == written)
    if moved is not None:
        assert moved.holding == moved.count


def values_of(flash: bytes) -> dict[int, bytes]:
    """The value in force of each key, by a walk of its own through the demo's format."""
    pages = [flash[at : at + 1024] for at in range(0, SIZE, 1024) if flash[at] != 0xFF]
    found = {}
    for page in sorted(pages, key=lambda page: int.from_bytes(page[4:6], "little")):
        at = 16
        while at + 5 <= len(page) and page[at] == 0x5A:
            found[page[at + 1]] = page[at + 3 : at + 3 + page[at + 2]]
            at += page[at + 2] + 5
    return found


def memory_with(pieces: dict[int, bytes], size: int = _SIZE) -> bytes:
    memory = bytearray(b"\xff" * size)
    for at, data in pieces.items():
        memory[at : at + len(data)] = data
    return bytes(memory)


@pytest.mark.parametrize(
    ("stored_as", "stored"),
    [
        ("plain", VEHICLE_VIN.encode()),
        ("inverted", bytes(255 - code for code in VEHICLE_VIN.encode())),
    ],
)
def test_vin_that_no_region_explains_is_proposed_as_identity(stored_as: str, stored: bytes) -> None:
    before = memory_with({0x10: DONOR_VIN.encode()})
    (proposal,) = learn_from(
        layout_of(()),
        before=before,
        blanked=memory_with({}),
        finished=memory_with({0x10: VEHICLE_VIN.encode(), 0x30: stored})
        if stored_as != "plain"
        else memory_with({0x30: stored}),
        original=None,
    ).proposals[-1:]
    region = proposal.region
    assert (region.kind, region.span) == (RegionKind.VEHICLE_IDENTITY, Span(0x30, 0x41))
    assert (region.stored_as, proposal.confidence) == (stored_as, Confidence.NEARLY_CERTAIN)


@dataclass(frozen=True)
class Case:
    kind: RegionKind
    blanked: bytes
    finished: bytes
    warned: WarningCode | None


_WAS, _NEW = b"\x11\x12\x13", b"\x21\x22\x23"
_ERASED = b"\xff" * 3


@pytest.mark.parametrize(
    "case",
    [
        Case(RegionKind.STATE, _ERASED, _ERASED, WarningCode.STILL_BLANK),
        Case(RegionKind.STATE, _ERASED, _WAS, None),
        Case(RegionKind.CONFIGURATION, _ERASED, _WAS, WarningCode.CAME_BACK),
        Case(RegionKind.CONFIGURATION, _ERASED, _NEW, None),
        Case(RegionKind.CONFIGURATION, _WAS, _NEW, None),
        Case(RegionKind.CALIBRATION, _WAS, _NEW, WarningCode.REWRITTEN),
        Case(RegionKind.PROTECTED, _WAS, _NEW, WarningCode.REWRITTEN),
        Case(RegionKind.MODULE_IDENTITY, _WAS, _WAS, None),
        Case(RegionKind.VEHICLE_IDENTITY, _ERASED, _ERASED, None),
    ],
)
def test_layout_that_blanks_or_keeps_the_wrong_region_is_warned_of(case: Case) -> None:
    region = Region(name="r", span=Span(8, 11), kind=case.kind)
    learned = learn_from(
        layout_of((region,)),
        before=memory_with({8: _WAS}),
        blanked=memory_with({8: case.blanked}),
        finished=memory_with({8: case.finished}),
        original=None,
    )
    assert [each.code for each in learned.warnings] == ([case.warned] if case.warned else [])
    assert bool(learned.still_blank) == (case.blanked == case.finished == _ERASED)


def test_state_that_a_person_kept_and_the_procedure_wrote_is_warned_of() -> None:
    region = Region(name="r", span=Span(8, 11), kind=RegionKind.STATE)
    learned = learn_from(
        layout_of((region,)),
        before=memory_with({8: _WAS}),
        blanked=memory_with({8: _WAS}),
        finished=memory_with({8: _NEW}),
        original=None,
        kept=(Span(8, 11),),
    )
    assert [each.code for each in learned.warnings] == [WarningCode.REWRITTEN]
