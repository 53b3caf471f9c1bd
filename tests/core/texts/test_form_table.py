"""The table of stored forms: each row holds together, whatever rows there are."""

from __future__ import annotations

from itertools import product

import pytest

from memtool.core.texts.form_table import FORMS, PAIRS, Family, Form, forms_of
from memtool.core.texts.stored_forms import Step, storing_table, undoing_table

ALPHABET = b"ABCDEFGHJKLMNPRSTUVWXYZ0123456789"
"""ISO 3779: no I, O and Q."""


def numbers_of(family: Family) -> range:
    return range(1, 256) if family is Family.KEYED else range(1)


@pytest.mark.parametrize("form", forms_of(Family.BYTES, Family.KEYED), ids=lambda form: form.name)
def test_reading_gives_back_what_storing_made(form: Form) -> None:
    for number in numbers_of(form.family):
        step = Step(form.name, number)
        stored = ALPHABET.translate(storing_table(step))
        assert stored.translate(undoing_table(step)) == ALPHABET
        assert len(set(stored)) == len(ALPHABET)


@pytest.mark.parametrize("form", forms_of(Family.KEYED), ids=lambda form: form.name)
def test_no_key_changes_the_steps_and_they_lie_in_their_classes(form: Form) -> None:
    assert form.key_steps is not None
    for left, right in product(ALPHABET, repeat=2):
        (step,) = form.key_steps.make(bytes([left, right]))
        for key in (1, 0x5A, 0x80, 0xFE, 0xFF):
            table = storing_table(Step(form.name, key))
            assert form.key_steps.make(bytes([left, right]).translate(table)) == bytes([step])
            assert form.key_steps.find_key(table[left], left) == key
        digits = [chr(code).isdigit() for code in (left, right)]
        assert is_in(step, form.key_steps.between)
        assert not all(digits) or is_in(step, form.key_steps.of_digits)
        assert digits[0] == digits[1] or is_in(step, form.key_steps.crossing)


def is_in(value: int, ranges: bytes) -> bool:
    """Whether a class of a regular expression, written as ranges of ``\\xNN``, has the value."""
    ends = [int(number, 16) for number in ranges.decode().replace("-", "").split("\\x")[1:]]
    return any(low <= value <= high for low, high in zip(ends[::2], ends[1::2], strict=True))


def test_keys_that_do_what_an_earlier_row_does_have_its_name() -> None:
    """By comparing all tables: of two forms that do the same the one further up is named."""
    named: set[bytes] = set()
    for form in forms_of(Family.BYTES, Family.KEYED):
        own = {
            number: storing_table(Step(form.name, number))
            for number in (range(256) if form.family is Family.KEYED else range(1))
        }
        known = {number for number, table in own.items() if table in named}
        assert known == (form.key_steps.named_otherwise if form.key_steps else set())
        named.update(own.values())


def test_rows_are_named_once_and_pairs_name_rows() -> None:
    names = [form.name for form in FORMS]
    assert len(set(names)) == len(names)
    assert {name for form in FORMS for name in form.behind} <= set(names)
    assert len(PAIRS) == sum(len(form.behind) for form in FORMS)


def test_forms_that_keep_every_byte_are_told_from_those_that_merge_some() -> None:
    """Lower case merges capitals with small letters; spacing and packing lose whole bytes."""
    lossy = {form.name for form in FORMS if not form.keeps_every_byte}
    assert "lower-case" in lossy
    assert lossy - {"lower-case"} == {
        form.name for form in forms_of(Family.SPACED, Family.WIDE, Family.PACKED, Family.PIECES)
    }
