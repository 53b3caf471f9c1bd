"""Every rule of the gate, each with a request in which only that rule is broken."""

from __future__ import annotations

from dataclasses import replace

import pytest

from memtool.core.finding import Finding, Severity, Verdict
from memtool.core.image import Image
from memtool.core.job.backup import Backup, BackupRead, BackupReceipt
from memtool.core.job.blanking import apply_blank, plan_blank, plan_blank_vin
from memtool.core.job.edit import KeptSpan
from memtool.core.job.events.kinds import ReadsBackedUp
from memtool.core.job.gate import (
    RULES,
    check_blank,
    check_written,
    compute_confirmation,
    require_blank,
)
from memtool.core.job.gate_question import GateQuestion
from memtool.core.job.job import Job, add_event
from memtool.core.job.order import Order
from memtool.core.layouts.layout import ModuleKind
from memtool.core.read_options import ImageFormat, ReadOptions
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.errors import RefusalError
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, blanked_memory, module_memory

COUNTER = KeptSpan(span=Span(0x40, 0x44), reason="counter, no identity")
TIME = "2026-03-14T09:00:00+01:00"


def image_of(memory: bytes) -> Image:
    return Image.from_bytes(memory)


def entry_of(image: Image, *, role: Role = Role.DONOR, reads: int = 2) -> Backup:
    read = BackupRead(
        name="donor.bin",
        file_sha256=image.sha256(),
        sha256=image.sha256(),
        size=image.size,
        options=ReadOptions(format=ImageFormat.RAW),
    )
    return Backup(
        id="b1",
        role=role,
        chip="24C02",
        reads=(read,) * reads,
        single_read_reason=None,
        added=TIME,
    )


def kept_of(image: Image, *, role: Role = Role.DONOR) -> ReadsBackedUp:
    return ReadsBackedUp(
        memory="24c02",
        number=2,
        time=TIME,
        backup="b1",
        role=role,
        chip="24C02",
        sha256=image.sha256(),
        size=image.size,
        format="raw",
        base=0,
        read_count=2,
        agree=True,
        single_read_reason=None,
    )


ORDER = Order(
    vehicle_vin=VEHICLE_VIN, module_kind=ModuleKind.BODY, authority="order 7, signed by the owner"
)


def good_request(memory: bytes | None = None) -> GateQuestion:
    """A blanking that keeps every rule, unless `memory` breaks one."""
    image, layout = image_of(memory or module_memory()), parse_layout(LAYOUT)
    receipt = BackupReceipt(entry=entry_of(image), image_sha256=image.sha256())
    plan = plan_blank(image, layout, keep=[COUNTER])
    kept = kept_of(image)
    return GateQuestion(
        image=image,
        job=add_event(Job(opened=TIME, order=ORDER), kept),
        reads=kept,
        receipt=receipt,
        layout=layout,
        vins=(),
        plan=plan,
        blanked=apply_blank(image, plan, receipt),
        identities=(DONOR_VIN,),
        known=(VEHICLE_VIN, DONOR_VIN),
        health=(),
        out_exists=False,
        confirmation=DONOR_VIN[-6:],
    )


def with_order(request: GateQuestion, order: Order) -> GateQuestion:
    assert request.job is not None
    return replace(request, job=replace(request.job, order=order))


def with_layout(request: GateQuestion, **changes: object) -> GateQuestion:
    assert request.layout is not None
    return replace(request, layout=replace(request.layout, **changes))  # type: ignore[arg-type]


def with_entry(request: GateQuestion, entry: Backup) -> GateQuestion:
    assert request.receipt is not None
    return replace(request, receipt=replace(request.receipt, entry=entry))


def broken_rules(request: GateQuestion) -> list[str]:
    return [check.code for check in check_blank(request) if check.result is Verdict.FAIL]


def assert_only(request: GateQuestion, rule: str) -> None:
    assert broken_rules(request) == [rule]
    with pytest.raises(RefusalError) as refusal:
        require_blank(request)
    assert refusal.value.code == rule
    assert refusal.value.exit_status == 3
    assert refusal.value.next_step


def test_a_blanking_that_keeps_all_rules_is_cleared() -> None:
    request = good_request()
    assert broken_rules(request) == []
    cleared = require_blank(request)
    assert cleared.blanked == image_of(blanked_memory(module_memory()))


def test_rules_are_numbered_from_one_and_named_once() -> None:
    assert [rule.number for rule in RULES] == list(range(1, len(RULES) + 1))
    assert len({rule.code for rule in RULES}) == len(RULES)


def test_rule_authority_refuses_without_authority_on_record() -> None:
    assert_only(with_order(good_request(), replace(ORDER, authority=None)), "authority")


def test_rule_vehicle_vin_refuses_without_vehicle_on_record() -> None:
    assert_only(with_order(good_request(), replace(ORDER, vehicle_vin=None)), "vehicle-vin")


def test_rule_open_job_refuses_without_job() -> None:
    # Without a job its order is missing too; the rule that names the cause comes first.
    broken = broken_rules(replace(good_request(), job=None))
    assert broken == ["open-job", "authority", "vehicle-vin", "module-kind"]
    with pytest.raises(RefusalError) as refusal:
        require_blank(replace(good_request(), job=None))
    assert refusal.value.code == "open-job"


@pytest.mark.parametrize("kind", [ModuleKind.AIRBAG, ModuleKind.IMMOBILISER, None])
def test_rule_module_kind_refuses_by_the_order(kind: ModuleKind | None) -> None:
    assert_only(with_order(good_request(), replace(ORDER, module_kind=kind)), "module-kind")


@pytest.mark.parametrize("kind", [ModuleKind.AIRBAG, ModuleKind.IMMOBILISER])
def test_rule_module_kind_refuses_by_the_layout(kind: ModuleKind) -> None:
    assert_only(with_layout(good_request(), module=kind), "module-kind")


def test_rule_donor_backup_refuses_an_image_that_is_not_backed_up() -> None:
    assert broken_rules(replace(good_request(), reads=None)) == ["donor-backup"]


def test_rule_donor_backup_refuses_the_original() -> None:
    image = good_request().image
    request = replace(good_request(), reads=kept_of(image, role=Role.ORIGINAL))
    assert_only(request, "donor-backup")


def test_rule_donor_backup_refuses_a_backup_not_verified_in_this_run() -> None:
    # Nothing can be said of its reads either, since the store was not asked.
    broken = broken_rules(replace(good_request(), receipt=None))
    assert broken == ["donor-backup", "reads-agree"]


def test_rule_donor_backup_refuses_backup_of_another_image() -> None:
    request = good_request()
    assert request.receipt is not None
    other = replace(request.receipt, image_sha256="0" * 64)
    assert_only(replace(request, receipt=other), "donor-backup")


def test_rule_reads_agree_refuses_reads_that_differ() -> None:
    request = good_request()
    entry = entry_of(request.image)
    other = replace(entry.reads[1], sha256="0" * 64)
    assert_only(with_entry(request, replace(entry, reads=(entry.reads[0], other))), "reads-agree")


def test_rule_reads_agree_refuses_single_read_without_reason() -> None:
    request = good_request()
    assert_only(with_entry(request, entry_of(request.image, reads=1)), "reads-agree")


def test_rule_reads_agree_allows_single_read_with_reason() -> None:
    request = good_request()
    entry = replace(entry_of(request.image, reads=1), single_read_reason="pad lifted")
    assert broken_rules(with_entry(request, entry)) == []


def test_rule_sound_read_refuses_a_failure_finding_and_allows_a_warning() -> None:
    bad = Finding(code="x", severity=Severity.FAILURE, text="Address line A3 is stuck.")
    assert_only(replace(good_request(), health=(bad,)), "sound-read")
    odd = bad._replace(severity=Severity.WARNING)
    assert broken_rules(replace(good_request(), health=(odd,))) == []


def test_rule_reviewed_layout_refuses_a_layout_nobody_reviewed() -> None:
    assert_only(with_layout(good_request(), reviewed=False), "reviewed-layout")


def test_rule_reviewed_layout_refuses_neither_layout_nor_vin() -> None:
    assert broken_rules(replace(good_request(), layout=None)) == ["reviewed-layout"]


def test_rule_reviewed_layout_allows_a_vin_alone() -> None:
    request = good_request()
    assert request.receipt is not None
    plan = plan_blank_vin(request.image, DONOR_VIN)
    blanked = apply_blank(request.image, plan, request.receipt)
    alone = replace(request, layout=None, vins=(DONOR_VIN,), plan=plan, blanked=blanked)
    assert broken_rules(alone) == []


def test_rule_layout_fits_refuses_another_size() -> None:
    assert_only(with_layout(good_request(), size=512), "layout-fits")


def test_rule_layout_fits_refuses_another_chip() -> None:
    assert_only(with_layout(good_request(), chip="93C56"), "layout-fits")


def test_rule_layout_fits_refuses_to_refresh_a_checksum_that_does_not_hold() -> None:
    memory = bytearray(module_memory())
    memory[0x22] ^= 0x01
    assert_only(good_request(bytes(memory)), "layout-fits")


def test_rule_other_vehicle_refuses_the_jobs_own_vehicle() -> None:
    assert_only(with_order(good_request(), replace(ORDER, vehicle_vin=DONOR_VIN)), "other-vehicle")


@pytest.mark.parametrize("span", [Span(0x8F, 0x90), Span(0x00, 0x01), Span(0x40, 0x90)])
def test_rule_protected_untouched_refuses_a_span_in_such_a_region(span: Span) -> None:
    request = good_request()
    assert request.layout is not None
    assert request.receipt is not None
    keep = [] if span.overlaps(COUNTER.span) else [COUNTER]
    plan = plan_blank(request.image, request.layout, more=[span], keep=keep)
    blanked = apply_blank(request.image, plan, request.receipt)
    assert_only(replace(request, plan=plan, blanked=blanked), "protected-untouched")


def test_rule_protected_untouched_refuses_even_where_the_bytes_are_erased_already() -> None:
    memory = module_memory(secret=b"\xff" * 16)
    memory = memory[:0x80] + b"\x01" + memory[0x81:]
    image, layout = image_of(memory), parse_layout(LAYOUT)
    receipt = BackupReceipt(entry=entry_of(image), image_sha256=image.sha256())
    plan = plan_blank(image, layout, more=[Span(0x81, 0x90)], keep=[COUNTER])
    request = replace(
        good_request(),
        image=image,
        reads=kept_of(image),
        receipt=receipt,
        plan=plan,
        blanked=apply_blank(image, plan, receipt),
    )
    assert_only(request, "protected-untouched")


def test_rule_only_planned_refuses_a_change_outside_the_plan() -> None:
    request = good_request()
    assert request.blanked is not None
    assert_only(
        replace(request, blanked=request.blanked.with_bytes([(0x31, b"\x00")])), "only-planned"
    )


def test_rule_no_leftover_refuses_a_trace_outside_the_plan() -> None:
    # The donor itself held this trace, so it is a leftover and nothing new.
    memory = bytearray(module_memory())
    memory[0xE8:0xF0] = DONOR_VIN[-8:].encode()
    assert_only(good_request(bytes(memory)), "no-leftover")


def test_rule_output_new_refuses_an_output_that_exists() -> None:
    assert_only(replace(good_request(), out_exists=True), "output-new")


def test_rule_confirmed_refuses_another_text_and_is_silent_in_a_dry_run() -> None:
    assert_only(replace(good_request(), confirmation="042789"), "confirmed")
    assert broken_rules(replace(good_request(), confirmation=None)) == []


def test_confirmation_is_the_identitys_end_or_the_plans_first_digits() -> None:
    plan = good_request().plan
    assert plan is not None
    assert compute_confirmation([plan], [DONOR_VIN]) == "042788"
    assert compute_confirmation([plan], []) == plan.sha256()[:6]
    assert compute_confirmation([plan], [DONOR_VIN, VEHICLE_VIN]) == plan.sha256()[:6]
    assert compute_confirmation([], []) is None


def test_another_plan_has_another_digest() -> None:
    request = good_request()
    assert request.layout is not None
    assert request.plan is not None
    other = plan_blank(request.image, request.layout, more=[Span(0x3F, 0x40)], keep=[COUNTER])
    assert other.sha256() != request.plan.sha256()


def test_apply_blank_refuses_backup_of_another_image() -> None:
    request = good_request()
    assert request.plan is not None
    assert request.receipt is not None
    other = replace(request.receipt, image_sha256="0" * 64)
    with pytest.raises(RefusalError) as refusal:
        apply_blank(request.image, request.plan, other)
    assert refusal.value.code == "donor-backup"


def test_apply_blank_refuses_a_plan_of_another_image() -> None:
    request = good_request()
    assert request.plan is not None
    assert request.receipt is not None
    other = replace(request.plan, image_sha256="0" * 64)
    with pytest.raises(RefusalError) as refusal:
        apply_blank(request.image, other, request.receipt)
    assert refusal.value.code == "plan-fits"


@pytest.mark.parametrize("address", [0x10, 0x31, 0xFF])
def test_check_written_fails_when_any_byte_on_disk_is_not_the_planned_one(address: int) -> None:
    request = good_request()
    assert request.plan is not None
    assert request.blanked is not None
    good = check_written(request.plan, request.image, request.blanked, request.blanked)
    assert [check.result for check in good] == [Verdict.PASS, Verdict.PASS]
    value = request.blanked.read(Span(address, address + 1))[0] ^ 0x80
    spoilt = request.blanked.with_bytes([(address, bytes([value]))])
    checks = check_written(request.plan, request.image, request.blanked, spoilt)
    assert checks[0].result is Verdict.FAIL
    expected = Verdict.PASS if address == 0x10 else Verdict.FAIL
    assert checks[1].result is expected


def test_rule_donor_backup_refuses_a_backup_of_another_role() -> None:
    request = good_request()
    entry = replace(entry_of(request.image), role=Role.REFERENCE)
    assert_only(with_entry(request, entry), "donor-backup")


def test_rule_only_planned_refuses_where_there_is_no_plan() -> None:
    assert_only(replace(good_request(), plan=None, blanked=None), "only-planned")


def test_rule_protected_untouched_judges_the_plan_before_anything_is_made() -> None:
    request = good_request()
    assert request.layout is not None
    plan = plan_blank(request.image, request.layout, more=[Span(0x80, 0x81)], keep=[COUNTER])
    broken = broken_rules(replace(request, plan=plan, blanked=None))
    assert broken == ["protected-untouched", "only-planned"]


def test_rule_layout_fits_without_record_of_the_chip_judges_the_place_alone() -> None:
    request = replace(good_request(), reads=None)
    assert "layout-fits" not in broken_rules(request)


def test_a_request_that_is_not_whole_is_never_cleared(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("memtool.core.job.gate.RULES", ())
    with pytest.raises(ValueError, match="incomplete question"):
        require_blank(replace(good_request(), job=None))


def test_rule_layout_fits_refuses_a_vin_field_that_holds_no_vin() -> None:
    memory = bytearray(module_memory())
    memory[0x50:0x61] = b"not a VIN at all!"
    assert_only(good_request(bytes(memory)), "layout-fits")
