"""Blanking by a layout that describes a store of records: every copy goes, all else stays."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.backup import BackupReceipt
from memtool.core.job.blanking import BlankPlan, PlanError, apply_blank, plan_blank
from memtool.core.job.gate import check_blank
from memtool.core.job.gate_question import GateQuestion
from memtool.core.job.job import Job, add_event
from memtool.core.job.stages.before_writing import Guards, check_blanked_file
from memtool.core.layouts.layout import Layout
from memtool.core.records.placing import place_records
from memtool.core.records.values import decode_placed, read_values
from memtool.core.span import Span
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN, VEHICLE_VIN
from tests.core.job.test_gate import ORDER, TIME, entry_of, kept_of
from tests.stores import nvs, paired_pages
from tests.stores.layouts import NVS, PAIRED

FORMER_VIN = "1M8GDM9A1KP571934"
PAGES = 4
NVS_LAYOUT = parse_layout(NVS.format(chip=16384, size=16384, namespace=2))
PAIRED_LAYOUT = parse_layout(PAIRED.format(size=2048, page=1024))
VINS = [FORMER_VIN, DONOR_VIN]


def blank(data: bytes, layout: Layout, reference: bytes | None = None) -> tuple[BlankPlan, bytes]:
    image = Image.from_bytes(data)
    plan = plan_blank(
        image, layout, reference=None if reference is None else Image.from_bytes(reference)
    )
    receipt = BackupReceipt(entry=entry_of(image), image_sha256=image.sha256())
    blanked = apply_blank(image, plan, receipt)
    return plan, blanked.read(Span(0, len(data)))


def traces_of(vin: str, data: bytes) -> int:
    """How often its characters lie in the image, whole or the last six alone."""
    return data.count(vin.encode()) + data.count(vin[-6:].encode())


def test_every_copy_goes_and_an_independent_parser_reads_the_rest() -> None:
    # `tests/bench/measure_records.py` does the same with 200 images.
    for seed in range(20):
        own = random.Random(seed)
        data = nvs.module_image(VINS, seed=seed, family=seed // 3, writes=own.randrange(40, 300))
        _, blanked = blank(data, NVS_LAYOUT)
        before, after = nvs.read_items(data), nvs.read_items(blanked)
        assert not any(traces_of(vin, blanked) for vin in VINS)
        for was, now in zip(before, after, strict=True):
            if (was.namespace, was.key) == (2, "vin"):
                assert now.value == b"\xff" * 17 + b"\x00"
                assert (now.identity, now.valid) == (was.identity, was.valid)
            else:
                assert now == was


def test_value_over_several_keys_goes_from_every_pair() -> None:
    for seed in range(20):
        data = paired_pages.module_image(
            VINS, seed=seed, writes=30 + 9 * seed, cut_off=seed % 2 == 1
        )
        _, blanked = blank(data, PAIRED_LAYOUT)
        before, after = (paired_pages.read_pairs(each, 1024) for each in (data, blanked))
        vin_keys = range(0x110, 0x119)
        for was, now in zip(before, after, strict=True):
            assert (now.address, now.key) == (was.address, was.key)
            if was.key not in vin_keys:
                assert now.value == was.value
            elif was.key == 0x118:
                assert now.value == b"\x00" + was.value[1:]
            else:
                assert now.value == b"\x00\x00"


def test_what_blank_is_comes_from_the_newest_record_of_the_reference() -> None:
    fresh = nvs.Store(PAGES)
    fresh.write_text("factory", "serial", "SN1")
    for text in ("NOT CODED 0000000", "----- NO VIN ----"):
        fresh.write_text("vehicle", "vin", text)
    layout = parse_layout(
        NVS.format(chip=16384, size=16384, namespace=2) + 'blank_to = "reference"\n'
    )
    data = nvs.module_image(VINS, seed=1)
    plan, blanked = blank(data, layout, bytes(fresh.data))
    assert plan.takes_reference
    values = {item.value for item in nvs.read_items(blanked) if item.key == "vin"}
    assert values == {b"----- NO VIN ----\x00"}
    with pytest.raises(PlanError, match="there is none"):
        blank(data, layout)
    with pytest.raises(PlanError, match="no such record in force"):
        blank(data, layout, bytes(nvs.Store(PAGES).data))


def test_record_that_was_cut_off_is_blanked_and_never_made_valid() -> None:
    store = nvs.Store(PAGES)
    store.write_text("factory", "serial", "SN1")
    store.write_text("vehicle", "vin", DONOR_VIN)
    torn = nvs._sized(FORMER_VIN.encode() + b"\x00")
    store._put(2, "vin", nvs.TEXT, nvs.ANY_CHUNK, torn, FORMER_VIN.encode() + b"?")
    _, blanked = blank(bytes(store.data), NVS_LAYOUT)
    assert not any(traces_of(vin, blanked) for vin in VINS)
    with pytest.raises(nvs.BrokenStoreError, match="value of the entry"):
        nvs.read_items(blanked)


def test_span_over_another_record_refreshes_that_records_checksums() -> None:
    data = nvs.module_image(VINS, seed=3)
    serial = next(item for item in nvs.read_items(data) if item.key == "serial")
    image = Image.from_bytes(data)
    plan = plan_blank(image, NVS_LAYOUT, more=[Span(serial.address + 32, serial.address + 36)])
    receipt = BackupReceipt(entry=entry_of(image), image_sha256=image.sha256())
    after = apply_blank(image, plan, receipt).read(Span(0, len(data)))
    changed = next(item for item in nvs.read_items(after) if item.key == "serial")
    assert changed.value == b"\xff" * 4 + serial.value[4:]


def question(data: bytes, layout: Layout) -> GateQuestion:
    image = Image.from_bytes(data)
    receipt = BackupReceipt(entry=entry_of(image), image_sha256=image.sha256())
    plan = plan_blank(image, layout)
    kept = replace(kept_of(image), chip=layout.chip)
    return GateQuestion(
        image=image,
        job=add_event(Job(opened=TIME, order=ORDER), kept),
        reads=kept,
        receipt=receipt,
        layout=layout,
        plan=plan,
        blanked=apply_blank(image, plan, receipt),
        identities=tuple(VINS),
        known=(VEHICLE_VIN, *VINS),
        health=(),
        out_exists=False,
        confirmation=None,
    )


@pytest.mark.parametrize("kind", ["entries", "pairs"])
def test_gate_and_check_before_writing_accept_exactly_that(kind: str) -> None:
    if kind == "entries":
        asked = question(nvs.module_image(VINS, seed=5), NVS_LAYOUT)
    else:
        asked = question(paired_pages.module_image(VINS, seed=5), PAIRED_LAYOUT)
    refused = [each for each in check_blank(asked) if each.result is Verdict.FAIL]
    assert not refused
    assert asked.blanked is not None
    assert asked.reads is not None
    assert asked.receipt is not None
    checks = check_blanked_file(
        file=asked.blanked,
        donor=asked.image,
        donor_reads=asked.reads,
        newest=asked.reads,
        receipt=asked.receipt,
        blanking=None,
        target=None,
        layout=asked.layout,
        guards=Guards(),
    )
    told = [check for check in checks if check.code == "checksum"]
    assert all(check.result is Verdict.PASS for check in told)
    # A record whose checksum was not refreshed is told.
    span = next(edit.span for edit in asked.plan.edits) if asked.plan else Span(0, 1)
    spoilt = asked.blanked.with_bytes([(span.start, bytes([asked.blanked.read(span)[0] ^ 1]))])
    if kind == "entries":
        again = check_blanked_file(
            file=spoilt,
            donor=asked.image,
            donor_reads=asked.reads,
            newest=asked.reads,
            receipt=asked.receipt,
            blanking=None,
            target=None,
            layout=asked.layout,
            guards=Guards(),
        )
        assert any(each.code == "checksum" and each.result is Verdict.FAIL for each in again)


def test_store_that_lies_elsewhere_is_refused() -> None:
    data = bytearray(nvs.module_image(VINS, seed=5))
    asked = question(bytes(data), NVS_LAYOUT)
    moved = parse_layout(
        NVS.format(chip=16384, size=16384, namespace=2).replace("init=0x00000000", "init=0x1")
    )
    wrong = question(bytes(data), moved)
    codes = [each.code for each in check_blank(wrong) if each.result is Verdict.FAIL]
    assert "layout-fits" in codes
    assert "layout-fits" not in [
        each.code for each in check_blank(asked) if each.result is Verdict.FAIL
    ]


def test_protected_record_is_guarded_at_its_address_in_this_image() -> None:
    text = NVS.format(chip=16384, size=16384, namespace=2)
    text += '[[records.region]]\nname = "keys"\nkey = [1, "serial"]\nspan = "32+8"\n'
    text += 'kind = "protected"\n'
    layout = parse_layout(text)
    data = nvs.module_image(VINS, seed=5)
    serial = next(item for item in nvs.read_items(data) if item.key == "serial")
    asked = question(data, layout)
    assert [each.span for each in asked.guarded] == [Span(serial.address + 32, serial.address + 40)]


def test_versions_of_a_value_over_several_keys_are_told_apart() -> None:
    store = paired_pages.PairedPages(1024)
    for vin in VINS:
        store.write_text(paired_pages.FIRST_VIN_KEY, vin)
    image = Image.from_bytes(bytes(store.data))
    values = read_values(PAIRED_LAYOUT, image)
    assert [(value.field.value if value.field else None, value.is_newest) for value in values] == [
        (DONOR_VIN, True),
        (FORMER_VIN, False),
    ]
    assert [field.value for field in decode_placed(PAIRED_LAYOUT, image)] == [DONOR_VIN]


def test_layout_without_stores_is_left_as_it_is() -> None:
    plain = parse_layout('[layout]\nname="x"\nchip="24C01"\nsize=128\nmodule="body"\n')
    assert place_records(plain, Image.from_bytes(bytes(128))) is plain
    placed = place_records(NVS_LAYOUT, Image.from_bytes(nvs.module_image(VINS, seed=5)))
    assert place_records(placed, Image.from_bytes(bytes(16384))) is placed
