"""What the gate and the plan say and list, beyond yes and no."""

from __future__ import annotations

from dataclasses import replace

import pytest

from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.blanking import PlanError, edits_to_facts, kept_to_facts, plan_blank
from memtool.core.job.edit import KeptSpan
from memtool.core.job.gate import RULES, check_blank, check_written, require_blank
from memtool.core.job.order import Order
from memtool.core.layouts.layout import Layout, ModuleKind
from memtool.core.span import Span
from memtool.errors import RefusalError
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import LAYOUT, VEHICLE_VIN, module_memory
from tests.core.job.test_gate import COUNTER, ORDER, broken_rules, good_request, with_order

IMAGE = Image.from_bytes(module_memory())


def test_a_rule_that_is_kept_says_what_it_allows_and_a_broken_one_why() -> None:
    kept = check_blank(good_request())
    assert [check.text for check in kept] == [rule.allowed for rule in RULES]
    broken = check_blank(replace(good_request(), job=None))
    assert broken[0].text == "There is no open job here."
    assert broken[0].result is Verdict.FAIL


def test_a_refusal_names_the_other_broken_rules() -> None:
    with pytest.raises(RefusalError) as alone:
        require_blank(replace(good_request(), out_exists=True))
    assert "also broken" not in str(alone.value)
    with pytest.raises(RefusalError) as both:
        require_blank(replace(with_order(good_request(), Order()), out_exists=True))
    assert "also broken: " in str(both.value)
    assert "output-new" in str(both.value)
    assert "also broken: vehicle-vin, module-kind, output-new)" in str(both.value)


@pytest.mark.parametrize(
    ("kind", "said"), [("airbag", "an airbag module"), ("immobiliser", "an immobiliser module")]
)
def test_a_module_that_is_never_blanked_is_named_with_its_article(kind: str, said: str) -> None:
    order = replace(ORDER, module_kind=ModuleKind(kind))
    with pytest.raises(RefusalError, match=f"it is {said}, and such a module is never blanked"):
        require_blank(with_order(good_request(), order))


def test_the_written_file_is_compared_with_the_plan_and_with_the_donor() -> None:
    request = good_request()
    assert request.plan is not None
    assert request.blanked is not None
    same = check_written(request.plan, IMAGE, request.blanked, request.blanked)
    assert [check.result for check in same] == [Verdict.PASS, Verdict.PASS]
    assert "is exactly the planned image" in same[0].text
    assert "Only planned bytes differ" in same[1].text
    other = request.blanked.with_bytes([(0xA0, b"\x99")])
    changed = check_written(request.plan, IMAGE, request.blanked, other)
    assert [check.result for check in changed] == [Verdict.FAIL, Verdict.FAIL]
    assert "is not the planned image" in changed[0].text
    assert "outside the plan" in changed[1].text
    assert changed[1].spans == (Span(0xA0, 0xA1),)
    longer = Image.from_pieces([(0, request.blanked.read(Span(0, 256))), (0x200, b"x")])
    grown = check_written(request.plan, IMAGE, request.blanked, longer)
    assert grown[1].result is Verdict.FAIL
    assert "outside the plan" in grown[1].text


def test_protected_bytes_that_change_without_a_plan_are_seen() -> None:
    request = good_request()
    assert request.blanked is not None
    touched = request.blanked.with_bytes([(0x80, b"\0")])
    assert "protected-untouched" in broken_rules(replace(request, blanked=touched))


@pytest.mark.parametrize(
    ("places", "said"),
    [(2, "0x00A0+1, 0x00A4+1."), (3, "0x00A8"), (4, " and 1 more")],
)
def test_bytes_outside_the_plan_are_listed_three_at_most(places: int, said: str) -> None:
    request = good_request()
    assert request.blanked is not None
    edits = [(0xA0 + 4 * place, b"\x99") for place in range(places)]
    wrong = replace(request, blanked=request.blanked.with_bytes(edits))
    text = next(check.text for check in check_blank(wrong) if check.code == "only-planned")
    assert said in text
    assert (" more." in text) == (places > 3)
    assert text.count("0x00A") == min(places, 3)


# The plan.


def layout_of(old: str = "", new: str = "") -> Layout:
    return parse_layout(LAYOUT.replace(old, new) if old else LAYOUT)


def test_the_plan_lists_what_was_asked_for_and_makes_one_edit_of_a_run() -> None:
    plan = plan_blank(IMAGE, layout_of(), more=[Span(0xA0, 0xA4)], keep=[COUNTER])
    assert plan.asked == (
        *(Span(0x10, 0x21), Span(0x21, 0x22), Span(0x40, 0x44)),
        *(Span(0x50, 0x61), Span(0xA0, 0xA4)),
    )
    spans = [edit.span for edit in plan.edits]
    assert spans == sorted(spans)
    assert Span(0x10, 0x21) in spans
    asked = [edit for edit in plan.edits if edit.span.start >= 0xA0]
    assert b"".join(edit.new for edit in asked) == b"\xff" * 4
    assert {edit.reason for edit in asked} == {"span asked for"}


def test_a_checksum_that_is_kept_stays() -> None:
    kept = KeptSpan(span=Span(0x22, 0x23), reason="asked to")
    plan = plan_blank(IMAGE, layout_of(), keep=[kept])
    assert not any(edit.span.overlaps(Span(0x22, 0x24)) for edit in plan.edits)


def test_a_checksum_is_erased_to_the_layouts_own_byte() -> None:
    text = LAYOUT.replace('"refresh"', '"erase"').replace("size = 256", "size = 256\nerased = 0")
    plan = plan_blank(IMAGE, parse_layout(text))
    last = next(edit for edit in plan.edits if edit.span.contains(Span(0x22, 0x24)))
    assert last.new[-2:] == b"\0\0"


def test_a_checksum_may_come_from_the_reference_image() -> None:
    reference = Image.from_bytes(b"\xff" * 0x22 + b"\x12\x34" + b"\xff" * 0xDC)
    plan = plan_blank(IMAGE, layout_of('"refresh"', '"reference"'), reference=reference)
    made = next(edit for edit in plan.edits if edit.span.contains(Span(0x22, 0x24)))
    assert made.new[-2:] == b"\x12\x34"
    assert made.reason == "checksum 'identity CRC' from the reference"
    with pytest.raises(PlanError, match="identity CRC"):
        plan_blank(IMAGE, layout_of('"refresh"', '"reference"'))


@pytest.mark.parametrize("order", [WhenBlanked.ERASE, WhenBlanked.REFRESH])
def test_a_checksum_whose_field_is_not_in_the_image_is_no_plan(order: WhenBlanked) -> None:
    memory = module_memory()
    holed = Image.from_pieces([(0, memory[:0x22]), (0x24, memory[0x24:])])
    layout = layout_of('"refresh"', f'"{order.value}"')
    with pytest.raises(PlanError, match=r"identity CRC at .* is not wholly inside"):
        plan_blank(holed, layout)


def test_plan_and_kept_spans_as_facts() -> None:
    plan = plan_blank(IMAGE, layout_of(), keep=[COUNTER])
    first = edits_to_facts(plan)[0]
    assert (first["start"], first["end"], first["new"]) == (0x10, 0x21, "ff" * 17)
    assert bytes.fromhex(first["old"]) == IMAGE.read(Span(0x10, 0x21))
    assert first["reason"]
    assert kept_to_facts(plan) == [{"start": 0x40, "end": 0x44, "reason": COUNTER.reason}]
    assert VEHICLE_VIN not in str(first)
