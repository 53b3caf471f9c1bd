"""Readable texts and VINs that stand alone, against slow loops with regular expressions."""

from __future__ import annotations

import re
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from memtool.core.health.readable import find_certain_vins
from memtool.core.health.text_looks import TextLooks
from memtool.core.health.texts import find_texts
from memtool.core.health.views import OtherView, list_views
from memtool.core.image import Image
from memtool.core.runs import array_of
from memtool.core.texts.vin import CheckDigitState, check_digit_state

VINS = ("1G4AH59H45G118341", "1M8GDM9AXKP042788")
"""49 CFR 565.15, Table VI, and its worked example."""


def creeps(text: bytes) -> bool:
    steps = [left - right for left, right in pairwise(text)]
    return 2 * sum(abs(step) <= 1 for step in steps) > len(steps)


@given(st.text(alphabet="ABCDabcd  ~\0\xff", max_size=80), st.integers(0, 40))
def test_texts_are_runs_with_a_word_that_do_not_creep(text: str, start: int) -> None:
    data = text.encode("latin-1")
    want = []
    for match in re.finditer(rb"[ -~]{6,}", data):
        inner = match[0].strip()
        if re.search(rb"[A-Za-z0-9]{4,}", inner) and not creeps(inner):
            want.append((start + match.start() + match[0].index(inner), inner.decode()))
    image = Image.from_pieces([(start, data)])
    assert [(each.span.start, each.text) for each in find_texts(image)] == want


@given(
    st.lists(
        st.sampled_from(("", "A", "7", " ", "a", "\0", "-", *VINS, *(vin[:-1] for vin in VINS))),
        max_size=9,
    )
)
def test_certain_vins_stand_alone(parts: list[str]) -> None:
    text = "".join(parts)
    shape = r"(?<![A-Z0-9])[A-HJ-NPR-Z0-9]{13}[0-9]{4}(?![A-Z0-9])"
    found = {each for each in re.findall(shape, text) if len(set(each)) >= 6}
    want = {each for each in found if check_digit_state(each) is CheckDigitState.VALID}
    assert find_certain_vins(text.encode()) == want


@given(
    st.lists(st.sampled_from((b"RELATIVET\0", b"HEREAFTER\0", b"relations", b"4", b"\x9a"))),
    st.sampled_from([view for view in list_views() if view.table is not None]),
)
def test_a_view_has_as_few_common_pairs_as_is_told_before_a_look(
    parts: list[bytes], view: OtherView
) -> None:
    assert view.table is not None
    # Every such view undoes itself: the read is made of what the view shows.
    looks = TextLooks(view.table[array_of(b"".join(parts))])
    look = looks.through(view)
    assert look is not None
    assert not looks.has_fewer_common_pairs(view.table, look.signs.common_pairs)
