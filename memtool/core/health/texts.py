"""Readable texts of a read, and which of them look like the module's own identity.

Nothing here is judged. What a text looks like follows from how parts are labelled: common
practice, no source. A part number and a serial number without a label cannot be told apart in
one module; between two of the same part the serial number differs.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from enum import StrEnum
from functools import cache, lru_cache
from itertools import filterfalse, groupby, islice
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.finding import Finding, Severity
from memtool.core.health.evidence import LISTED_SPANS, Evidence
from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.runs import array_of, rows_of_bytes
from memtool.core.span import Span, format_address, subtract_spans
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.layouts.layout import Layout


class TextKind(StrEnum):
    """What a readable text looks like."""

    HARDWARE_LEVEL = "hardware level"
    SOFTWARE_LEVEL = "software level"
    PART_NUMBER = "part number"
    SERIAL_NUMBER = "serial number"
    PART_OR_SERIAL = "part or serial number"
    DATE = "date"
    TEXT = "text"


class ReadableText(NamedTuple):
    """A text that stands plainly in the image."""

    text: str
    start: int
    """Address of its first character."""
    kind: TextKind

    @property
    def span(self) -> Span:
        """Its addresses. Made when asked for: messages are texts by the hundred thousand."""
        return Span(self.start, self.start + len(self.text))


_PRINTABLE = bytes(0x20 <= value < 0x7F for value in range(256))
"""For ``bytes.translate``: 1 for printable characters."""
_SHORTEST = 6
"""Printable characters in a row."""
_MARK = r"(?:[ .:#_/=-]*)"
_LEVEL = _MARK + r"(?:V|VER|VERS|VERSION|REV|LEVEL)?" + _MARK + r"[0-9][A-Z0-9._/-]{0,11}"
_NUMBER_WORD = r" ?(?:NO|NR|NUMBER)"
_NUMBER = r"(?![A-Z])" + _MARK + r"(?=[A-Z ./-]*[0-9])[A-Z0-9][A-Z0-9 ./-]{3,23}"
_SHAPES = {
    TextKind.HARDWARE_LEVEL: rf"(?:H/?W|HARDWARE){_LEVEL}",
    TextKind.SOFTWARE_LEVEL: rf"(?:S/?W|SOFTWARE){_LEVEL}",
    TextKind.PART_NUMBER: rf"(?:P/?N|PART{_NUMBER_WORD}){_NUMBER}",
    TextKind.SERIAL_NUMBER: rf"(?:S/?N|SER(?:IAL)?{_NUMBER_WORD}){_NUMBER}",
    TextKind.DATE: (
        r"(?:19|20)[0-9]{2}[-./]?(?:0[1-9]|1[0-2])[-./]?(?:0[1-9]|[12][0-9]|3[01])"
        r"|(?:0[1-9]|[12][0-9]|3[01])[-./](?:0[1-9]|1[0-2])[-./](?:19|20)?[0-9]{2}"
    ),
    # What is longer need not be looked through for three digits.
    TextKind.PART_OR_SERIAL: (
        r"(?!.{26})(?=[A-Z0-9 .-]*[0-9]{3})[A-Z0-9][A-Z0-9 .-]{4,23}[A-Z0-9]"
    ),
}
_PLACES = {kind: place for place, kind in enumerate(TextKind)}
_LABELLED = frozenset(list(TextKind)[:4])
_OF_THE_MODULE = frozenset(TextKind) - {TextKind.DATE, TextKind.TEXT}
_VIN_SHAPE = re.compile(r"[A-HJ-NPR-Z0-9]{17}")
_WORDLIKE = re.compile(r"[A-Za-z0-9]{4,}")
_LONGEST_NAMED = 48
"""No label is longer; long texts would keep the expressions busy."""
_LONGEST_NUMBER = 25
_FIRST_OF_LABELS = frozenset("HSPhsp")
"""What is longer than a number is a label and more, or just text."""
_LONGEST_SHOWN = 24
_TEXTS_SHOWN = 3
_IDENTITIES_SHOWN = 5
_LONGEST_LIST = 190


def find_texts(
    image: Image, layout: Layout | None = None, *, hidden: Sequence[Span] = ()
) -> tuple[ReadableText, ...]:
    """Every readable text of six characters and more, by address.

    Protected regions of `layout`, and what is `hidden`, are left out. So are runs without a
    word or number of four characters, and runs that creep from one character to the next, as
    tables of numbers do, but for those that begin with a label.
    """
    protected = [] if layout is None else [r.span for r in layout.regions_of(RegionKind.PROTECTED)]
    return _find_texts(image, (*protected, *hidden))


@lru_cache(maxsize=4)
def _find_texts(image: Image, left_out: tuple[Span, ...]) -> tuple[ReadableText, ...]:
    """The same, kept for the last images: one command asks for those of a read several times."""
    found = []
    for span in subtract_spans(image.spans, left_out):
        if len(span) < _SHORTEST:
            continue
        data = image.read(span)
        is_slow = _mark_slow_steps(data)
        # Two lists of numbers: a list a row is much more for Python's collector to look at.
        firsts, ends = rows_of_bytes(data, _PRINTABLE, _SHORTEST).T.tolist()
        for first, end in zip(firsts, ends, strict=True):
            run = data[first:end].decode("ascii")
            text = run.lstrip(" ")
            first += len(run) - len(text)
            text = text.rstrip(" ")
            kind = _kind_of(text)
            if kind not in _LABELLED:
                if not _WORDLIKE.search(text):
                    continue
                # Tables of numbers creep: more than half of the steps climb or fall by one.
                steps = len(text) - 1
                if 2 * is_slow.count(1, first, first + steps) > steps:
                    continue
            found.append(ReadableText(text, span.start + first, kind))
    return tuple(found)


def _mark_slow_steps(data: bytes) -> bytes:
    """For each byte but the last 1 where an equal byte or one next to it follows, else 0."""
    values = array_of(data)
    # Plus one, then at most two: the same as within one in either direction, in unsigned bytes.
    return (values[1:] - values[:-1] + np.uint8(1) <= 2).tobytes()


@cache
def _shape() -> re.Pattern[str]:
    """The first that fits the whole text decides. An image without texts needs it not."""
    return re.compile("|".join(f"(?P<{kind.name}>{shape})" for kind, shape in _SHAPES.items()))


def _kind_of(text: str) -> TextKind:
    size = len(text)
    if size > _LONGEST_NAMED or (size > _LONGEST_NUMBER and text[0] not in _FIRST_OF_LABELS):
        return TextKind.TEXT
    capitals = text.upper()
    fitting = _shape().fullmatch(capitals)
    kind = TextKind.TEXT if fitting is None else TextKind[str(fitting.lastgroup)]
    # Without a label small letters are words.
    is_word = kind is TextKind.PART_OR_SERIAL and text != capitals
    return TextKind.TEXT if is_word else kind


def tell_texts(evidence: Evidence) -> tuple[Finding, ...]:
    """The module's own identity, and how many other readable texts there are."""
    texts = find_texts(evidence.image, evidence.layout, hidden=evidence.hidden)
    own: list[ReadableText] = []
    others: list[ReadableText] = []
    for text in texts:
        of_the_module = text.kind in _OF_THE_MODULE and not _has_vin_shape(text)
        (own if of_the_module else others).append(text)
    # By address as they are; the kinds in their order. One more than is shown says that there are.
    in_order = sorted(others, key=lambda text: _PLACES[text.kind])
    shown = list(islice(filterfalse(_has_vin_shape, in_order), _TEXTS_SHOWN + 1))
    found = []
    if own:
        words = f"Looks like the module's own identity: {_name_all(own)}."
        spans = tuple(text.span for text in own[:LISTED_SPANS])
        found.append(evidence.finding("content-module-identity", Severity.INFO, words, spans))
    if others:
        many = f"{len(others)} readable texts" if len(others) > 1 else "One readable text"
        words = ": " + ", ".join(map(_name, shown[:_TEXTS_SHOWN]))
        words += ", ..." if len(shown) > _TEXTS_SHOWN else ""
        if not shown:
            words = ", all shaped like a VIN" if len(others) > 1 else ", shaped like a VIN"
        spans = tuple(text.span for text in others[:LISTED_SPANS])
        found.append(evidence.finding("content-texts", Severity.INFO, f"{many}{words}.", spans))
    return tuple(found)


def _has_vin_shape(text: ReadableText) -> bool:
    """VINs have a section of their own on every page, and are masked on some."""
    return _VIN_SHAPE.search(text.text) is not None


def _order(text: ReadableText) -> tuple[int, Span]:
    return _PLACES[text.kind], text.span


def _name_all(texts: list[ReadableText]) -> str:
    """The first different ones that fit into a sentence, the kinds in their order."""
    # Backwards, so that of equal texts the first one is what stays in the dict.
    different = {text.text: text for text in sorted(texts, key=_order, reverse=True)}
    left = sorted(different.values(), key=_order)
    # What does not fit is left out as a whole: a cut number would be taken for the number.
    for many in range(min(_IDENTITIES_SHOWN, len(left)), 0, -1):
        kinds = groupby(left[:many], key=lambda text: text.kind)
        words = "; ".join(f"{kind.value} {', '.join(map(_name, group))}" for kind, group in kinds)
        if len(words) <= _LONGEST_LIST:
            break
    return words + (", ..." if many < len(left) else "")


def _name(text: ReadableText) -> str:
    cut = text.text[:_LONGEST_SHOWN] + ("..." if len(text.text) > _LONGEST_SHOWN else "")
    return f"'{cut}' at {format_address(text.span.start)}"
