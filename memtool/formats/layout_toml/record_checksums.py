"""What ``checksum`` of a ``[[records]]`` or its page says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal

from memtool.core.checksums.algorithms import Algorithm, UnknownAlgorithmError, get_algorithm
from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.checksums.sums import Ending
from memtool.core.layouts.record_rules import Covered, RecordChecksum
from memtool.core.span import Span, format_span, parse_span
from memtool.formats.layout_toml.faults import FaultBook
from memtool.formats.layout_toml.lines import KeyPath
from memtool.formats.layout_toml.record_places import MOST_VALUES, condition_of
from memtool.formats.layout_toml.tables import sentence_of, word_of
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.formats.layout_toml import shape
else:
    shape = late_module("memtool.formats.layout_toml.shape")  # loads pydantic


def judge_record_checksum(
    table: Mapping[str, Any], path: KeyPath, label: str, faults: FaultBook
) -> RecordChecksum | None:
    """Judge one checksum by itself; None where something is wrong."""
    before = len(faults)
    values = shape.sound_values(shape.RecordChecksumTable, table, path, faults)
    algorithm = _algorithm(values.get("algorithm"), path, label, faults)
    when = word_of(WhenBlanked, "when_blanked", values, path, faults)
    if when is WhenBlanked.REFERENCE:
        text = f"{label}: records of another module lie elsewhere: a checksum cannot come from it"
        faults.add((*path, "when_blanked"), "layout-records", text)
    covers = _covers(values.get("covers"), (*path, "covers"), label, faults)
    where = condition_of(values.get("where"), (*path, "where"), label, faults)
    order = _byte_order(values.get("byte_order"), path, label, algorithm, faults)
    if len(faults) > before or algorithm is None or covers is None or when is None or not order:
        return None
    at, size = values["at"], algorithm.field_length
    if at < 0 and at + size > 0:
        text = f"{label}: {algorithm.name} takes {size} bytes, and at = {at} leaves {-at}"
        faults.add((*path, "at"), "layout-length", text)
        return None
    _judge_overlap(covers, at, size, path, label, faults)
    return RecordChecksum(
        algorithm=algorithm.name,
        covers=covers,
        at=at,
        size=size,
        byte_order=order,
        when_blanked=when,
        where=where,
    )


def _algorithm(name: str | None, path: KeyPath, label: str, faults: FaultBook) -> Algorithm | None:
    if name is None:
        return None
    place = (*path, "algorithm")
    try:
        algorithm = get_algorithm(name)
    except UnknownAlgorithmError as error:
        faults.add(place, "layout-algorithm-unknown", f"{label}: {sentence_of(error)}")
        return None
    if algorithm.ending is Ending.TOTAL or algorithm.word_order is not None:
        text = f"{label}: {algorithm.name} is not for records: it needs words, or a total"
        faults.add(place, "layout-checksum", text)
        return None
    return algorithm


def _covers(
    value: object, path: KeyPath, label: str, faults: FaultBook
) -> tuple[Span, ...] | Covered | None:
    if value is None:
        return None
    if isinstance(value, str) and value in tuple(Covered):
        return Covered(value)
    texts: list[Any] = value if isinstance(value, list) else [value]
    if not 0 < len(texts) <= MOST_VALUES or not all(isinstance(text, str) for text in texts):
        text = f'{label}: \'covers\' must be "value", "record", a span or a list of spans'
        faults.add(path, "layout-value", text)
        return None
    spans: list[Span] = []
    for text in texts:
        try:
            span = parse_span(text)
        except ValueError as error:
            faults.add(path, "layout-span", f"{label}: {error}")
            return None
        other = next((each for each in spans if each.overlaps(span)), None)
        if other is not None:
            words = (
                f"{label}: it covers {format_span(span)} and {format_span(other)}, which overlap"
            )
            faults.add(path, "layout-checksum", words)
        spans.append(span)
    return tuple(spans)


def _byte_order(
    value: str | None, path: KeyPath, label: str, algorithm: Algorithm | None, faults: FaultBook
) -> Literal["big", "little"] | None:
    if value == "big" or value == "little":
        return "big" if value == "big" else "little"
    if value is None:
        if algorithm is None or algorithm.field_length == 1:
            return "big"
        if "byte_order" not in faults.keys_under(path):
            text = f"{label}: the key 'byte_order' is missing, and its field has several bytes"
            faults.add(path, "layout-key-missing", text)
        return None
    meant = faults.suggest(value, ("big", "little")) or ": write big or little"
    text = f"byte_order '{value}' is unknown{meant}"
    faults.add((*path, "byte_order"), "layout-byte-order-unknown", text)
    return None


def _judge_overlap(
    covers: tuple[Span, ...] | Covered,
    at: int,
    size: int,
    path: KeyPath,
    label: str,
    faults: FaultBook,
) -> None:
    if isinstance(covers, Covered) or at < 0:
        return
    field = Span(at, at + size)
    touched = next((span for span in covers if span.overlaps(field)), None)
    if touched is not None:
        text = f"{label}: it covers {format_span(touched)}, which touches its own field"
        faults.add(path, "layout-checksum", f"{text} {format_span(field)}")
