"""Whole images in the byte and bit orders a reader may deliver instead of the chip's own.

Names are those of the stored forms, so that a finding can name the ``--view`` that mends
the order. Each of these orders undoes itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from memtool.core.texts.form_table import BY_NAME, FORMS, Family
from memtool.core.texts.stored_forms import Step, undoing_table
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Bytes

ORDERS: tuple[tuple[str, str], ...] = tuple(
    (form.name, form.done) for form in FORMS if form.reader_order
)
"""Name and words."""


def order_advice(name: str) -> str:
    """What to do about a read in that order, a sentence or two."""
    return (
        f"Nothing is lost: give this order with start --reader-order MEMORY={name}; outside a "
        f"job, convert a file with benchimage convert --view {name}."
    )


def reordered(data: Bytes, name: str) -> Bytes | None:
    """`data` in the other order; None where it does not divide into whole words.

    Raises:
        ValueError: no order has that name.
    """
    form = BY_NAME.get(name)
    if form is None or not form.reader_order:
        raise ValueError(f"no order is named {name!r}")
    if form.family is Family.WORDS:
        if len(data) % form.unit:
            return None
        return data.reshape(-1, form.unit)[:, ::-1].reshape(-1)
    return np.frombuffer(undoing_table(Step(name)), dtype=np.uint8)[data]
