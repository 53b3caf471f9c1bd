"""Every rule of the gate, broken, as the person sees it: in the gate's own words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from memtool.core.finding import Finding, Severity
from memtool.core.job.edit import KeptSpan
from memtool.core.job.gate import RULES, check_blank, require_blank
from memtool.core.job.gate_question import GateQuestion
from memtool.core.job.order import AlsoHolds
from memtool.core.job.proof import PreparedBlank
from memtool.core.layouts.layout import ModuleKind
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.desk.blank import BlankScreen
from memtool.errors import RefusalError
from tests.build import DONOR_VIN, LAYOUT, SIZE, module_memory
from tests.core.job.test_gate import (
    ORDER,
    entry_of,
    good_request,
    kept_of,
    with_entry,
    with_layout,
    with_order,
)
from tests.core.job.test_gate_guards import STRANGER_VIN, by_layout, by_vin
from tests.core.job.test_gate_records import in_records
from tests.desk.sitting import Sitting, run, sit_down

_BAD_READ = Finding(code="x", severity=Severity.FAILURE, text="Address line A3 is stuck.")


def _changed_outside() -> GateQuestion:
    request = good_request()
    assert request.blanked is not None
    return replace(request, blanked=request.blanked.with_bytes([(0x31, b"\x00")]))


def _with_vin_spelt() -> GateQuestion:
    regions = "".join(
        f'[[region]]\nname = "r{place}"\nspan = "{0xE0 + place:#x}+1"\nkind = "state"\n'
        f"blank_to = {value}\n"
        for place, value in enumerate(STRANGER_VIN.encode())
    )
    return by_layout(LAYOUT + regions)


def _with_used_reference() -> GateQuestion:
    text = LAYOUT + '[[region]]\nname = "r"\nspan = "0xE0+8"\nkind = "state"\n'
    reference = b"\xff" * 0x10 + DONOR_VIN[-8:].encode() + b"\xff" * (SIZE - 0x18)
    return by_layout(f'{text}blank_to = "reference"\n', reference=reference)


def _with_trace() -> GateQuestion:
    memory = module_memory()
    return good_request(memory[:0xE8] + DONOR_VIN[-8:].encode() + memory[0xF0:])


def _with_order(**facts: object) -> GateQuestion:
    return with_order(good_request(), replace(ORDER, **facts))  # type: ignore[arg-type]


BROKEN: dict[str, Callable[[], GateQuestion]] = {
    "open-job": lambda: replace(good_request(), job=None),
    "authority": lambda: _with_order(authority=None),
    "vehicle-vin": lambda: _with_order(vehicle_vin=None),
    "module-kind": lambda: _with_order(module_kind=ModuleKind.AIRBAG),
    "also-holds": lambda: with_order(
        by_vin(DONOR_VIN), replace(ORDER, also_holds=(AlsoHolds.KEYS,))
    ),
    "donor-backup": lambda: replace(
        good_request(), reads=kept_of(good_request().image, role=Role.ORIGINAL)
    ),
    "reads-agree": lambda: with_entry(good_request(), entry_of(good_request().image, reads=1)),
    "sound-read": lambda: replace(good_request(), health=(_BAD_READ,)),
    "read-areas": lambda: by_layout(memory=module_memory(secret=b"\xff" * 16)),
    "reviewed-layout": lambda: with_layout(good_request(), reviewed=False),
    "layout-fits": lambda: with_layout(good_request(), size=512),
    "records-intact": lambda: in_records("entries"),
    "other-vehicle": lambda: _with_order(vehicle_vin=DONOR_VIN),
    "same-image": lambda: replace(good_request(), originals=(good_request().image,)),
    "protected-untouched": lambda: by_layout(more=(Span(0x8F, 0x90),)),
    "only-planned": _changed_outside,
    "no-new-identity": _with_vin_spelt,
    "clean-reference": _with_used_reference,
    "kept-identity": lambda: by_layout(keep=(KeptSpan(span=Span(0x10, 0x11), reason="a wish"),)),
    "no-leftover": _with_trace,
    "output-new": lambda: replace(good_request(), out_exists=True),
    "confirmed": lambda: replace(good_request(), confirmation="042789"),
}


def refusal_of(question: GateQuestion) -> RefusalError:
    """What the gate itself says."""
    with pytest.raises(RefusalError) as refused:
        require_blank(question)
    return refused.value


async def show(desk: Sitting, question: GateQuestion) -> None:
    """The screen, with the plan of its job judged as this question is."""
    screen = desk.app.screen
    assert isinstance(screen, BlankScreen)
    assert screen._prepared is not None
    part = screen._prepared.parts[0]
    judged = PreparedBlank(
        memory=part.result.memory, question=question, checks=check_blank(question), matches=()
    )
    screen._show(replace(screen._prepared, parts=(replace(part, result=judged),)))
    await desk.settle()


def test_every_rule_of_the_gate_is_broken_here() -> None:
    assert list(BROKEN) == [rule.code for rule in RULES]
    for code, broken in BROKEN.items():
        assert refusal_of(broken()).code == code


def test_every_refusal_stands_first_and_enter_gives_the_gates_own_sentence(job: Path) -> None:
    before = sorted(path.name for path in job.rglob("*"))

    async def look() -> None:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("b")
            for code, broken in BROKEN.items():
                question = broken()
                said = next(check for check in check_blank(question) if check.code == code)
                await show(desk, question)
                assert desk.verdict() == f"Refused: {said.text} (rule {code})"
                await desk.press("enter")
                assert desk.notice() == str(refusal_of(question))
                await desk.press("enter")

    run(look())
    assert sorted(path.name for path in job.rglob("*")) == before
