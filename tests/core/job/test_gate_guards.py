"""The rules of the gate that hold against slips and wishes, each broken alone."""

from __future__ import annotations

from dataclasses import replace

import pytest

from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.backup import BackupReceipt
from memtool.core.job.blanking import apply_blank, plan_blank, plan_blank_vin
from memtool.core.job.edit import KeptSpan
from memtool.core.job.events.event import Judged
from memtool.core.job.events.kinds import (
    AreaSettled,
    JobOpened,
    LayoutNamed,
    OrderAmended,
    RegionReleased,
)
from memtool.core.job.gate import check_blank
from memtool.core.job.gate_question import GateQuestion, NearbyChecksum
from memtool.core.job.leftovers import CHANCE_LIMIT
from memtool.core.job.order import AlsoHolds, Order
from memtool.core.job.protection import name_layout
from memtool.core.layouts.layout import ModuleKind
from memtool.core.span import Span
from memtool.core.texts.chance import REPORTED_BELOW
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN, LAYOUT, SIZE, VEHICLE_VIN, module_memory
from tests.core.job.test_gate import (
    COUNTER,
    ORDER,
    assert_only,
    broken_rules,
    entry_of,
    good_request,
    image_of,
    kept_of,
    with_order,
)

STRANGER_VIN = "5GZCZ43D13S812715"
"""Zint barcode encoder, test data."""


def by_layout(
    text: str = LAYOUT,
    memory: bytes | None = None,
    *,
    reference: bytes | None = None,
    keep: tuple[KeptSpan, ...] = (COUNTER,),
    identities: tuple[str, ...] = (DONOR_VIN,),
    more: tuple[Span, ...] = (),
) -> GateQuestion:
    """A blanking of that memory by that layout."""
    image, layout = image_of(memory or module_memory()), parse_layout(text)
    receipt = BackupReceipt(entry=entry_of(image), image_sha256=image.sha256())
    given = None if reference is None else image_of(reference)
    plan = plan_blank(image, layout, keep=keep, reference=given, more=more)
    return replace(
        good_request(),
        image=image,
        reads=kept_of(image),
        receipt=receipt,
        layout=layout,
        plan=plan,
        blanked=apply_blank(image, plan, receipt),
        reference=given,
        identities=identities,
        confirmation=identities[0][-6:] if len(identities) == 1 else plan.sha256()[:6],
    )


def by_vin(*vins: str, memory: bytes | None = None) -> GateQuestion:
    """A blanking of these VINs' copies alone."""
    request = by_layout(memory=memory, keep=())
    assert request.receipt is not None
    plan = plan_blank_vin(request.image, *vins)
    return replace(
        request,
        layout=None,
        vins=vins,
        plan=plan,
        blanked=apply_blank(request.image, plan, request.receipt),
        identities=vins,
        confirmation=vins[0][-6:] if len(vins) == 1 else plan.sha256()[:6],
    )


def named(text: str, *, number: int = 3, memory: str | None = "24c02") -> LayoutNamed:
    return name_layout(parse_layout(text), sha256="0" * 64, memory=memory, number=number)


def result_of(request: GateQuestion, code: str) -> Verdict:
    return next(check.result for check in check_blank(request) if check.code == code)


def without_protected(text: str = LAYOUT) -> str:
    return text.replace('kind = "protected"', 'kind = "calibration"')


# Bans stick.


@pytest.mark.parametrize("kind", ["airbag", "immobiliser"])
def test_rule_module_kind_refuses_what_the_order_once_said(kind: str) -> None:
    request = good_request()
    assert request.job is not None
    events = (
        JobOpened(number=1, order=replace(ORDER, module_kind=ModuleKind(kind))),
        OrderAmended(number=2, order=Order(module_kind=ModuleKind.BODY)),
    )
    assert_only(replace(request, job=replace(request.job, events=events)), "module-kind")


@pytest.mark.parametrize("memory", ["24c02", "another"])
def test_rule_module_kind_refuses_what_any_layout_once_said(memory: str) -> None:
    other = named(LAYOUT.replace('"body"', '"airbag"'), memory=memory)
    assert_only(replace(good_request(), named=(other,)), "module-kind")


def test_rule_module_kind_refuses_a_vin_alone_after_such_a_layout() -> None:
    other = named(LAYOUT.replace('"body"', '"immobiliser"'))
    assert_only(replace(by_vin(DONOR_VIN), named=(other,)), "module-kind")


def test_a_layout_that_nobody_named_guards_and_bans_nothing() -> None:
    other = named(LAYOUT.replace('"body"', '"airbag"'))
    access = replace(other.regions[-1], span=Span(0x50, 0x60))
    other = replace(other, regions=(access,))
    assert_only(replace(good_request(), chosen=(other,)), "protected-untouched")


# What else the module holds.


def crash_data(text: str = LAYOUT) -> str:
    changed = text.replace('name = "access"', 'name = "Crash data"')
    assert changed != text
    return changed


@pytest.mark.parametrize("held", [AlsoHolds.KEYS, AlsoHolds.CRASH_DATA])
def test_rule_also_holds_refuses_without_a_protected_region(held: AlsoHolds) -> None:
    order = replace(ORDER, also_holds=(held,))
    assert broken_rules(with_order(by_layout(crash_data()), order)) == []
    assert_only(with_order(by_vin(DONOR_VIN), order), "also-holds")
    assert_only(with_order(by_layout(without_protected()), order), "also-holds")


def test_rule_also_holds_wants_a_region_for_crash_data_in_any_memory() -> None:
    order = replace(ORDER, also_holds=(AlsoHolds.CRASH_DATA, AlsoHolds.KEYS))
    request = with_order(good_request(), order)
    assert_only(request, "also-holds")
    elsewhere = named(crash_data(), memory="data-flash")
    assert broken_rules(replace(request, named=(elsewhere,))) == []
    assert_only(replace(request, named=(replace(elsewhere, reviewed=False),)), "also-holds")


def test_rule_also_holds_leaves_mileage_to_the_check_after_setup() -> None:
    order = replace(ORDER, also_holds=(AlsoHolds.MILEAGE,))
    assert broken_rules(with_order(by_vin(DONOR_VIN), order)) == []


def test_what_a_module_was_once_said_to_hold_is_never_taken_back() -> None:
    first = replace(ORDER, also_holds=(AlsoHolds.KEYS,))
    assert first.amended(Order(also_holds=())).also_holds == (AlsoHolds.KEYS,)


# What was not read.


@pytest.mark.parametrize("value", [b"\x00", b"\xff", b"\xa5"])
def test_rule_read_areas_refuses_a_protected_region_of_one_value(value: bytes) -> None:
    assert_only(by_layout(memory=module_memory(secret=value * 16)), "read-areas")


def test_rule_read_areas_asks_a_draft_of_another_module_too() -> None:
    memory = module_memory(secret=b"\xff" * 16)
    draft = named(LAYOUT.replace("reviewed = true", "reviewed = false"))
    request = by_layout(without_protected(), memory)
    assert broken_rules(request) == []
    assert_only(replace(request, chosen=(replace(draft, number=1 << 63),)), "read-areas")


@pytest.mark.parametrize("how", ["not-read", "second-method", "empty"])
def test_rule_read_areas_allows_what_a_person_settled(how: str) -> None:
    request = by_layout(memory=module_memory(secret=b"\xff" * 16))
    assert request.job is not None
    facts = {"spans": [{"start": 0x80, "end": 0x90}], "how": how, "reason": "read protected"}
    event = AreaSettled.from_facts(
        {**AreaSettled(spans=(), how="empty", reason="x").to_facts(), **facts, "memory": "24c02"},
        number=4,
        time="",
    )
    event = replace(event, judged=Judged(reads=(request.image.sha256(),)))
    job = replace(request.job, settled=(event,))
    assert broken_rules(replace(request, job=job)) == []
    elsewhere = replace(request.job, settled=(replace(event, memory="another"),))
    assert_only(replace(request, job=elsewhere), "read-areas")
    said_of_another = replace(event, judged=Judged(reads=("00" * 32,)))
    other = replace(request, job=replace(request.job, settled=(said_of_another,)))
    assert broken_rules(other) == ([] if how == "not-read" else ["read-areas"])


# Whose module it is.


def test_rule_other_vehicle_refuses_the_vehicles_vin_in_split_form() -> None:
    # Every character in a byte of its own block, as `split` lies in a memory.
    memory = bytearray(b"\xff" * SIZE)
    memory[0x30:0x80] = module_memory()[0x30:0x80]
    memory[0x50:0x61] = b"\xff" * 17
    for index, character in enumerate(VEHICLE_VIN.encode()):
        memory[0xA0 + 4 * index] = character
    vin = by_vin(VEHICLE_VIN, memory=bytes(memory))
    assert "other-vehicle" in broken_rules(vin)


def test_rule_other_vehicle_refuses_the_vehicles_last_eight_where_no_other_vin_is() -> None:
    memory = bytearray(module_memory())
    memory[0x10:0x21] = memory[0x50:0x61] = b"\xff" * 17
    memory[0x22:0x24] = b"\xff\xff"
    memory[0xE8:0xF0] = VEHICLE_VIN[-8:].encode()
    text = LAYOUT.replace('when_blanked = "refresh"', 'when_blanked = "keep"')
    request = by_layout(text, bytes(memory), more=(Span(0xE8, 0xF0),), identities=(VEHICLE_VIN,))
    assert_only(request, "other-vehicle")


def test_rule_other_vehicle_leaves_a_stranger_beside_it_to_a_person_and_a_layout() -> None:
    memory = bytearray(module_memory())
    memory[0xE0:0xF1] = VEHICLE_VIN.encode()
    both = (DONOR_VIN, VEHICLE_VIN)
    request = by_layout(memory=bytes(memory), more=(Span(0xE0, 0xF1),), identities=both)
    assert broken_rules(request) == []
    assert result_of(request, "other-vehicle") is Verdict.DECIDE
    assert_only(by_vin(*both, memory=bytes(memory)), "other-vehicle")


def test_rule_other_vehicle_never_refuses_for_a_short_trace() -> None:
    memory = bytearray(module_memory())
    memory[0xE0:0xE3] = bytes.fromhex(VEHICLE_VIN[-6:])
    memory[0xE8:0xED] = VEHICLE_VIN[-5:].encode()
    assert result_of(by_layout(memory=bytes(memory)), "other-vehicle") is Verdict.PASS


def test_rule_same_image_refuses_the_originals_own_bytes() -> None:
    request = good_request()
    assert_only(replace(request, originals=(request.image,)), "same-image")
    other = image_of(module_memory(VEHICLE_VIN))
    assert broken_rules(replace(request, originals=(other,))) == []


def test_rule_same_image_allows_a_memory_without_identity() -> None:
    memory = bytes(value * 37 % 251 for value in range(SIZE))
    request = replace(good_request(), image=image_of(memory), originals=(image_of(memory),))
    assert result_of(request, "same-image") is Verdict.PASS


# What is protected, by whatever layout.


def test_rule_protected_untouched_asks_layouts_that_are_not_used() -> None:
    text = without_protected().replace('kind = "calibration"', 'kind = "state"', 1)
    changed = by_layout(text)
    assert broken_rules(changed) == []
    assert_only(replace(changed, named=(named(LAYOUT),)), "protected-untouched")


def test_rule_protected_untouched_holds_for_a_vin_alone() -> None:
    memory = bytearray(module_memory())
    memory[0xE0:0xF1] = DONOR_VIN.encode()
    guarding = named(LAYOUT.replace("0x80-0x8F", "0xF0-0xFF"))
    request = by_vin(DONOR_VIN, memory=bytes(memory))
    assert broken_rules(request) == []
    assert_only(replace(request, named=(guarding,)), "protected-untouched")


def test_rule_protected_untouched_asks_the_layouts_of_this_memory_alone() -> None:
    text = without_protected().replace('kind = "calibration"', 'kind = "state"', 1)
    other = named(LAYOUT, memory="another")
    assert broken_rules(replace(by_layout(text), named=(other,))) == []


def test_rule_protected_untouched_takes_a_draft_until_its_review_is_there() -> None:
    guess = LAYOUT.replace("0x80-0x8F", "0x58-0x60").replace("0x50+17", "0x70+16")
    guess = guess.replace('type = "vin"\nstored_as = "reversed"\ncopy_of = "VIN"\n', "")
    draft = named(guess.replace("reviewed = true", "reviewed = false"))
    by_vin_alone = by_vin(DONOR_VIN)
    assert_only(replace(by_vin_alone, named=(draft,)), "protected-untouched")
    review = named(LAYOUT, number=4)
    assert broken_rules(replace(by_vin_alone, named=(draft, review))) == []
    before = named(LAYOUT, number=2)
    assert_only(replace(by_vin_alone, named=(before, draft)), "protected-untouched")


def test_a_module_identity_region_is_let_go_by_a_review_of_that_very_region() -> None:
    guard = named(LAYOUT.replace('name = "options"', 'name = "level"'))
    guard = replace(
        guard, regions=(replace(guard.regions[0], name="level", span=Span(0x40, 0x44)),)
    )
    request = replace(by_layout(keep=()), named=(guard,))
    assert request.job is not None
    assert_only(request, "protected-untouched")
    release = RegionReleased(memory="24c02", span=Span(0x40, 0x44), name="N. N.", reason="counter")
    let_go = replace(request, job=replace(request.job, releases=(release,)))
    assert broken_rules(let_go) == []
    near = replace(request.job, releases=(replace(release, span=Span(0x40, 0x45)),))
    assert_only(replace(request, job=near), "protected-untouched")


def test_a_protected_region_is_never_let_go() -> None:
    guard = named(LAYOUT)
    keys = replace(guard, regions=(replace(guard.regions[-1], span=Span(0x40, 0x44)),))
    assert keys.regions[0].kind == "protected"
    request = replace(by_layout(keep=()), named=(keys,))
    assert request.job is not None
    release = RegionReleased(memory="24c02", span=Span(0x40, 0x44), name="N. N.", reason="counter")
    job = replace(request.job, releases=(release,))
    assert_only(replace(request, job=job), "protected-untouched")


@pytest.mark.parametrize("blank", ["", " ", ".", "-"])
def test_a_review_of_a_region_needs_name_and_reason(blank: str) -> None:
    for name, reason in ((blank, "counter"), ("N. N.", blank)):
        with pytest.raises(ValueError, match="'name' or 'reason'"):
            RegionReleased(span=Span(0, 1), name=name, reason=reason)


def test_without_any_layout_protected_regions_are_not_checked() -> None:
    assert result_of(by_vin(DONOR_VIN), "protected-untouched") is Verdict.NOT_CHECKED


# What comes out.


def test_rule_no_new_identity_refuses_a_vin_spelt_byte_by_byte() -> None:
    regions = "".join(
        f'[[region]]\nname = "r{place}"\nspan = "{0xE0 + place:#x}+1"\nkind = "state"\n'
        f"blank_to = {value}\n"
        for place, value in enumerate(STRANGER_VIN.encode())
    )
    assert_only(by_layout(LAYOUT + regions), "no-new-identity")


@pytest.mark.parametrize("written", [VEHICLE_VIN[-8:].encode(), bytes.fromhex(VEHICLE_VIN[-6:])])
def test_rule_no_new_identity_refuses_a_trace_of_the_vehicles_vin(written: bytes) -> None:
    regions = "".join(
        f'[[region]]\nname = "r{place}"\nspan = "{0xE0 + place:#x}+1"\nkind = "state"\n'
        f"blank_to = {value}\n"
        for place, value in enumerate(written)
    )
    assert_only(by_layout(LAYOUT + regions), "no-new-identity")


def test_rule_no_new_identity_refuses_what_a_reference_brings() -> None:
    text = LAYOUT + '[[region]]\nname = "r"\nspan = "0xE0+17"\nkind = "state"\n'
    text += 'blank_to = "reference"\n'
    reference = bytearray(b"\xff" * SIZE)
    reference[0xE0:0xF1] = STRANGER_VIN.encode()
    request = by_layout(text, reference=bytes(reference))
    assert broken_rules(request) == ["no-new-identity", "clean-reference"]


def test_rule_clean_reference_refuses_an_identity_that_is_not_even_taken() -> None:
    text = LAYOUT + '[[region]]\nname = "r"\nspan = "0xE0+8"\nkind = "state"\n'
    text += 'blank_to = "reference"\n'
    reference = bytearray(b"\xff" * SIZE)
    assert broken_rules(by_layout(text, reference=bytes(reference))) == []
    reference[0x10:0x18] = DONOR_VIN[-8:].encode()
    assert_only(by_layout(text, reference=bytes(reference)), "clean-reference")
    assert broken_rules(by_layout(LAYOUT, reference=bytes(reference))) == []


# What is kept, and what is left.


@pytest.mark.parametrize("span", [Span(0x10, 0x11), Span(0x60, 0x62), Span(0, SIZE)])
def test_rule_kept_identity_refuses_to_keep_a_vin(span: Span) -> None:
    keep = (KeptSpan(span=span, reason="I like it"),)
    request = by_layout(keep=keep)
    assert "kept-identity" in broken_rules(request)


def test_rule_kept_identity_refuses_the_place_of_a_vin_that_is_blank() -> None:
    memory = bytearray(module_memory())
    memory[0x10:0x21] = b"\xff" * 17
    text = LAYOUT.replace('when_blanked = "refresh"', 'when_blanked = "keep"')
    keep = (KeptSpan(span=Span(0x10, 0x12), reason="blank"),)
    assert_only(by_layout(text, bytes(memory), keep=keep), "kept-identity")


def test_rule_no_leftover_names_what_a_kept_span_still_holds() -> None:
    memory = bytearray(module_memory())
    memory[0xE8:0xF0] = DONOR_VIN[-8:].encode()
    keep = (COUNTER, KeptSpan(span=Span(0xE8, 0xF0), reason="test print"))
    request = by_layout(memory=bytes(memory), keep=keep)
    assert broken_rules(request) == []
    check = next(check for check in check_blank(request) if check.code == "no-leftover")
    assert check.result is Verdict.DECIDE
    assert "0x00E8-0x00EF" in check.text


def test_rule_no_leftover_without_identity_has_nothing_to_search_for() -> None:
    memory = bytearray(module_memory())
    memory[0x10:0x21] = memory[0x50:0x61] = b"\xff" * 17
    text = LAYOUT.replace('when_blanked = "refresh"', 'when_blanked = "keep"')
    request = by_layout(text, bytes(memory), identities=())
    check = next(check for check in check_blank(request) if check.code == "no-leftover")
    assert check.result is Verdict.NOT_CHECKED
    assert check.reason is not None
    assert "nothing to search for" in check.reason


# Blanks are no answers.


@pytest.mark.parametrize("said", [" ", ".", " - ", "…"])
def test_a_blank_or_dot_is_no_authority_and_no_reason(said: str) -> None:
    assert_only(with_order(good_request(), replace(ORDER, authority=said)), "authority")
    request = good_request()
    assert request.receipt is not None
    single = replace(entry_of(request.image, reads=1), single_read_reason=said)
    receipt = replace(request.receipt, entry=single)
    assert_only(replace(request, receipt=receipt), "reads-agree")


def test_two_vins_are_both_blanked() -> None:
    memory = bytearray(module_memory())
    memory[0xE0:0xF1] = STRANGER_VIN.encode()
    request = by_vin(DONOR_VIN, STRANGER_VIN, memory=bytes(memory))
    assert broken_rules(request) == []
    assert request.blanked is not None
    assert request.blanked.read(Span(0xE0, 0xF1)) == b"\xff" * 17
    assert request.blanked.read(Span(0x10, 0x21)) == b"\xff" * 17


def test_images_are_compared_by_their_bytes() -> None:
    assert Image.from_bytes(b"a") in (Image.from_bytes(b"a"),)


# A VIN alone.


def test_two_vins_alone_are_both_blanked() -> None:
    memory = bytearray(module_memory())
    memory[0xC0:0xD1] = STRANGER_VIN.encode()
    request = by_vin(DONOR_VIN, STRANGER_VIN, memory=bytes(memory))
    assert broken_rules(request) == []
    assert request.blanked is not None
    blanked = request.blanked.read(Span(0, SIZE))
    assert STRANGER_VIN.encode() not in blanked
    assert DONOR_VIN.encode() not in blanked
    assert DONOR_VIN[::-1].encode() not in blanked


def test_a_vin_alone_is_refused_where_a_layouts_checksum_over_it_holds() -> None:
    request = replace(by_vin(DONOR_VIN), described=(parse_layout(LAYOUT),))
    assert_only(request, "reviewed-layout")
    spoilt = bytearray(module_memory())
    spoilt[0x22] ^= 1
    request = by_vin(DONOR_VIN, memory=bytes(spoilt))
    assert broken_rules(replace(request, described=(parse_layout(LAYOUT),))) == []


def test_a_vin_alone_is_refused_where_a_checksum_was_found_over_it() -> None:
    near = NearbyChecksum(
        algorithm="CRC-16/IBM-3740", block=Span(0x10, 0x22), field=Span(0x22, 0x24)
    )
    assert_only(replace(by_vin(DONOR_VIN), nearby=(near,)), "reviewed-layout")
    # By a layout that names it, it is refreshed.
    assert broken_rules(replace(good_request(), nearby=(near,))) == []


# What the reader could not give.


def test_reads_that_differ_only_where_nothing_could_be_read_agree() -> None:
    request = good_request()
    assert request.job is not None
    assert request.reads is not None
    assert request.receipt is not None
    one, two = (
        request.receipt.entry.reads[0],
        replace(request.receipt.entry.reads[0], sha256="0" * 64),
    )
    entry = replace(request.receipt.entry, reads=(one, two))
    reads = replace(request.reads, agree=False, differing=(Span(0x80, 0x88),))
    request = replace(request, reads=reads, receipt=replace(request.receipt, entry=entry))
    assert_only(request, "reads-agree")
    area = AreaSettled(
        memory=reads.memory, spans=(Span(0x80, 0x90),), how="not-read", reason="locked"
    )
    assert request.job is not None
    job = replace(request.job, settled=(area,))
    assert broken_rules(replace(request, job=job)) == []
    empty = replace(area, how="empty", name="N. N.")
    assert_only(replace(request, job=replace(job, settled=(empty,))), "reads-agree")


def test_a_plan_into_an_area_that_was_not_read_is_refused() -> None:
    request = good_request()
    assert request.job is not None
    assert request.reads is not None
    area = AreaSettled(
        memory=request.reads.memory, spans=(Span(0x10, 0x12),), how="not-read", reason="locked"
    )
    assert_only(replace(request, job=replace(request.job, settled=(area,))), "read-areas")


def test_no_search_hides_what_the_gate_calls_telling() -> None:
    # A search drops what it takes for chance in favour of another reading of the same bytes.
    assert CHANCE_LIMIT <= REPORTED_BELOW
