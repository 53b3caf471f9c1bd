"""A store of records becomes one guess, and a layout that blanks by it."""

from __future__ import annotations

import pytest

from memtool.core.drafting.draft import Draft, ModuleReads
from memtool.core.drafting.steps import draft_layout
from memtool.core.image import Image
from memtool.core.job.blanking import plan_blank
from memtool.core.layouts.layout import Layout, ModuleKind
from memtool.core.span import Span
from memtool.formats.layout_toml.drafts import (
    DraftHeader,
    edit_layout_text,
    read_guess_texts,
    write_draft_text,
)
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.formats.layout_toml.records_writing import write_records_text
from memtool.render.text.review_view import render_guess
from tests.build import DONOR_VIN, VEHICLE_VIN
from tests.stores import nvs, paired_pages, plain
from tests.stores.families import FORMER_VIN, Module, make_family
from tests.stores.layouts import NVS, PAIRED


def draft_of(images: list[bytes]) -> Draft:
    return draft_layout(
        [
            ModuleReads(name=f"m{number}", role=None, vin=None, reads=(Image.from_bytes(image),))
            for number, image in enumerate(images)
        ]
    )


def text_of(draft: Draft, size: int) -> str:
    header = DraftHeader(name="x", chip=str(size), module=ModuleKind.BODY)
    return write_draft_text(draft, header)


def family_with_history() -> list[Module]:
    return next(
        family
        for family in (make_family("entries", number) for number in range(9))
        if FORMER_VIN.encode() in family[0].image
    )


def blanked(data: bytes, layout: Layout) -> bytes:
    image = Image.from_bytes(data)
    plan = plan_blank(image, layout)
    after = image.with_bytes((edit.span.start, edit.new) for edit in plan.edits)
    return after.read(Span(0, len(data)))


def test_drafted_store_blanks_every_copy_and_keeps_every_checksum_right() -> None:
    family = family_with_history()
    draft = draft_of([module.image for module in family])
    layout = parse_layout(text_of(draft, 16384))
    assert len(draft.records) == 1
    assert len(draft.guesses) + len(draft.records) <= 20
    data = family[0].image
    after = blanked(data, layout)
    for vin in (FORMER_VIN, DONOR_VIN):
        assert vin.encode() not in after
    kept = [item for item in nvs.read_items(data) if item.key != "vin"]
    assert [item for item in nvs.read_items(after) if item.key != "vin"] == kept


def test_vin_over_several_keys_is_drafted_as_one_region_and_blanked_in_every_copy() -> None:
    family = make_family("pairs", 3)
    draft = draft_of([module.image for module in family])
    layout = parse_layout(text_of(draft, 2048))
    (described,) = layout.records[0].regions
    keys = range(paired_pages.FIRST_VIN_KEY, paired_pages.FIRST_VIN_KEY + 9)
    assert described.keys == tuple((key,) for key in keys)
    for module in family:
        before = paired_pages.read_pairs(module.image, 1024)
        after = paired_pages.read_pairs(blanked(module.image, layout), 1024)
        others = [pair for pair in before if pair.key not in keys]
        assert [pair for pair in after if pair.key not in keys] == others
        of_vin = [pair for pair in after if pair.key in keys]
        assert of_vin
        # Seventeen characters: the last value's second byte is none of them, and stays.
        assert {pair.value[:1] for pair in of_vin} == {b"\xff"}
        whole = {pair.value for pair in of_vin if pair.key != keys[-1]}
        assert whole == {b"\xff\xff"}


def test_store_of_64_kib_gives_twenty_guesses_at_most() -> None:
    images = [
        plain.equal_records(vins, seed=seed, family=4, bank=32768, writes=1200)[0]
        for seed, vins in enumerate([[FORMER_VIN, DONOR_VIN], [VEHICLE_VIN], [DONOR_VIN]])
    ]
    draft = draft_of(images)
    assert len(draft.guesses) + len(draft.records) <= 20
    after = blanked(images[0], parse_layout(text_of(draft, 65536)))
    assert FORMER_VIN.encode() not in after
    assert DONOR_VIN.encode() not in after


def test_review_shows_one_record_of_each_key_with_its_history() -> None:
    family = family_with_history()
    text = text_of(draft_of([module.image for module in family]), 16384)
    (guess,) = [each for each in read_guess_texts(text) if each.table == "records"]
    shown = render_guess(parse_layout(text), guess.name, guess.comments, [], place=1, total=1)
    newest = max(at for at, key in family[0].records.items() if key == (2, "vin", 255))
    assert f"newest at 0x{newest:04X}, before it" in shown
    assert "'blank' blanks these regions in every record" in shown


def test_store_that_is_not_accepted_leaves_the_layout_whole() -> None:
    family = family_with_history()
    text = text_of(draft_of([module.image for module in family]), 16384)
    names = [each.name for each in read_guess_texts(text)]
    left = parse_layout(edit_layout_text(text, remove=names, reviewed="by N. N."))
    assert left.records == ()
    assert left.reviewed
    assert parse_layout(edit_layout_text(text, reviewed="by N. N.")).records


@pytest.mark.parametrize(
    "text",
    [NVS.format(chip=16384, size=16384, namespace=2), PAIRED.format(size=2048, page=1024)],
    ids=["entries", "pairs"],
)
def test_store_is_written_as_it_was_read(text: str) -> None:
    (rules,) = parse_layout(text).records
    head = text[: text.index("[[records]]")]
    again = parse_layout(head + write_records_text(rules, ["why"]))
    assert again.records == (rules,)
