"""In which order did the reader write a file? Told by the file itself, or by another one.

A VIN that is expected or certain, or a layout that fits, settles it alone. Texts alone leave
a doubt, and two modules whose texts say the same leave none: their makers differ, their
reader does not. A file without any of them is settled by another file that holds the same
content in an order that is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from memtool.core.chip import Chip
from memtool.core.health.bus import find_idle_bus
from memtool.core.health.byte_order import SURE_WEIGHT, find_best_view, find_read_order
from memtool.core.health.byte_orders import ORDERS
from memtool.core.health.evidence import gather_evidence
from memtool.core.health.text_ends import find_swapped_ends
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.read_options import PLAIN
from memtool.core.reader_order import READER_ORDERS, fits, turn
from memtool.core.runs import defined_bytes

_SAME_CONTENT = 50
"""Of so many bytes one may differ in two reads of one memory: counters, a weak contact."""
_CLEARLY = 4
"""The right order leaves so many times fewer bytes that differ."""
_BY_CODE = {f"order-{name}": name for name, _ in ORDERS}


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderSign:
    """What one file tells of the order in which it was written."""

    order: str
    reason: str
    """What speaks for it: ``a VIN stands in it``, without full stop."""
    is_certain: bool
    """False: texts alone speak for it."""


def find_order_sign(
    image: Image,
    *,
    chip: Chip | None = None,
    layout: Layout | None = None,
    vin_texts: Sequence[str] = (),
) -> OrderSign | None:
    """The order in which a file was written; None where it does not tell.

    Args:
        image: As the bytes lie in the file.
        chip: The memory's, where it is known.
        layout: Of the memory, in the chip's order.
        vin_texts: VINs that are expected in it.
    """
    evidence = gather_evidence(
        image,
        chip=chip,
        layout=layout,
        vin_texts=tuple(vin_texts),
        claimed_new=False,
        in_records=False,
    )
    if not evidence.size or find_idle_bus(evidence):
        return None
    best = find_best_view(evidence)
    if best is not None:
        weight, why, view = best
        order = _BY_CODE.get(view.code)
        if order is None:
            return None
        words = f"{why} only with {view.words}"
        return OrderSign(order=order, reason=words, is_certain=weight >= SURE_WEIGHT)
    ends = find_swapped_ends(evidence)
    if ends:
        order = _BY_CODE[ends[0].code]
        words = "the padding comes before the last character of its texts"
        return OrderSign(order=order, reason=words, is_certain=False)
    if find_read_order(evidence).bytes_in_words:
        return OrderSign(order=PLAIN, reason="its texts read as they are", is_certain=True)
    return None


def find_order_by_content(file: Image, known: Image, *, expected: str) -> str | None:
    """The order in which a file holds the content of an image whose order is known.

    Args:
        file: As the bytes lie in the file.
        known: The same memory of the same module, in the chip's order.
        expected: The order that the file would have otherwise.

    Returns:
        None where no order makes the two alike, or where `expected` does about as well.
    """
    if file.spans != known.spans:
        return None
    apart = {
        order: _count_apart(turn(file, order), known)
        for order in dict.fromkeys((expected, *READER_ORDERS))
        if fits(file, order)
    }
    best = min(apart, key=lambda order: apart[order])
    usual = apart.get(expected, file.size)
    if apart[best] * _SAME_CONTENT > file.size or apart[best] * _CLEARLY >= usual:
        return None
    return best


def is_same_content(one: Image, two: Image) -> bool:
    """Whether two images are alike but for what two reads of one memory may differ in."""
    return one.spans == two.spans and _count_apart(one, two) * _SAME_CONTENT <= one.size


def _count_apart(one: Image, two: Image) -> int:
    return int((defined_bytes(one) != defined_bytes(two)).sum())


def agree_on_order(signs: Sequence[tuple[str, OrderSign]]) -> tuple[OrderSign | None, bool]:
    """What files of one memory tell together.

    Args:
        signs: Each with the module that its file was read from.

    Returns:
        The sign of the order that is not plain, None where none is or where two are, and
        whether it is certain.
    """
    other = [(module, sign) for module, sign in signs if sign.order != PLAIN]
    if len({sign.order for _, sign in other}) != 1:
        return None, False
    certain = [sign for _, sign in other if sign.is_certain]
    several = len({module for module, _ in other}) > 1
    return (certain or [other[0][1]])[0], bool(certain) or several
