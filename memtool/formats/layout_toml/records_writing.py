"""``[[records]]`` as TOML, with comments, as `memtool.formats.layout_toml.records` reads it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

from memtool.core.layouts.record_rules import (
    Condition,
    Counts,
    Covered,
    Key,
    KeyPart,
    NewestBy,
    Place,
    RecordChecksum,
    RecordRegion,
    RecordRules,
)
from memtool.core.layouts.region import INTEGER_LENGTHS, BlankSource
from memtool.core.span import Span


def write_records_text(rules: RecordRules, comments: Sequence[str] = ()) -> str:
    """The tables of one store; `comments` are lines without line ends."""
    return "\n".join(_lines(rules, comments)) + "\n"


def _lines(rules: RecordRules, comments: Sequence[str]) -> Iterator[str]:
    yield "[[records]]"
    for comment in comments:
        yield f"# {comment}"
    yield f"name = {json.dumps(rules.name)}"
    yield f'span = "0x{rules.span.start:04X}+{len(rules.span)}"'
    if rules.record is not None:
        yield f"record = {rules.record}"
    if rules.length is not None:
        more = f', counts = "{rules.length.counts}"'
        if rules.length.counts is Counts.PAYLOAD:
            more += f", plus = {rules.length.plus}"
        if rules.length.align > 1:
            more += f", align = {rules.length.align}"
        yield f"length = {{ {_place(rules.length.place)}{more} }}"
    yield f"key = [{', '.join(f'{{ {_place(place)} }}' for place in rules.key)}]"
    if rules.newest.by is NewestBy.HIGHEST and rules.newest.place is not None:
        yield f'newest = {{ {_place(rules.newest.place)}, by = "highest" }}'
    else:
        yield 'newest = { by = "position" }'
    if rules.mark is not None:
        yield f"mark = {{ {_place(rules.mark.place)}, valid = {list(rules.mark.valid)} }}"
    yield from _value(rules)
    for checksum in rules.checksums:
        yield ""
        yield "[[records.checksum]]"
        yield from _checksum(checksum)
    yield from _page(rules)
    for region in rules.regions:
        yield ""
        yield from _region(region)


def _place(place: Place) -> str:
    size = "" if place.type in INTEGER_LENGTHS else f", size = {place.size}"
    return f'at = {place.at}, type = "{place.type}"{size}'


def _where(condition: Condition) -> str:
    return f"{{ {_place(condition.place)}, one_of = {list(condition.values)} }}"


def _value(rules: RecordRules) -> Iterator[str]:
    value = rules.value
    if value is None:
        return
    yield ""
    yield "[records.value]"
    yield f"at = {value.at}"
    if value.size is not None:
        yield f"size = {value.size}"
    if value.length is not None:
        yield f"length = {{ {_place(value.length)} }}"
    if value.where is not None:
        yield f"where = {_where(value.where)}"


def _checksum(checksum: RecordChecksum) -> Iterator[str]:
    yield f"algorithm = {json.dumps(checksum.algorithm)}"
    if isinstance(checksum.covers, Covered):
        yield f'covers = "{checksum.covers}"'
    else:
        yield f"covers = {json.dumps([_offsets(span) for span in checksum.covers])}"
    yield f"at = {checksum.at}"
    if checksum.size > 1:
        yield f'byte_order = "{checksum.byte_order}"'
    yield f'when_blanked = "{checksum.when_blanked}"'
    if checksum.where is not None:
        yield f"where = {_where(checksum.where)}"


def _offsets(span: Span) -> str:
    return f"{span.start}-{span.end - 1}"


def _page(rules: RecordRules) -> Iterator[str]:
    page = rules.page
    if page is None:
        return
    yield ""
    yield "[records.page]"
    yield f"size = {page.size}"
    yield f"header = {page.header}"
    if page.sequence is not None:
        yield f"sequence = {{ {_place(page.sequence)} }}"
    if page.state is not None:
        valid = ", ".join(f"0x{state:0{2 * page.state.place.size}X}" for state in page.state.valid)
        yield f"state = {{ {_place(page.state.place)}, valid = [{valid}] }}"
    if page.marks is not None:
        marks = page.marks
        yield (
            f"marks = {{ at = {marks.at}, bits = {marks.bits}, valid = {marks.valid},"
            f" free = {marks.free} }}"
        )
    if page.checksum is not None:
        yield ""
        yield "[records.page.checksum]"
        yield from _checksum(page.checksum)


def _region(described: RecordRegion) -> Iterator[str]:
    region = described.region
    yield "[[records.region]]"
    yield f"name = {json.dumps(region.name)}"
    if len(described.keys) == 1:
        yield f"key = {_key(described.keys[0])}"
    else:
        yield f"keys = [{', '.join(map(_key, described.keys))}]"
    yield f'span = "{region.span.start}+{len(region.span)}"'
    yield f'kind = "{region.kind}"'
    if region.type is not None:
        yield f'type = "{region.type}"'
    if region.stored_as != "plain":
        yield f"stored_as = {json.dumps(region.stored_as)}"
    if isinstance(region.blank_to, BlankSource):
        yield f'blank_to = "{region.blank_to}"'
    elif region.blank_to is not None:
        yield f'blank_to = "{region.blank_to.hex(" ").upper()}"'


def _key(key: Key) -> str:
    return f"[{', '.join(map(_part, key))}]"


def _part(part: KeyPart) -> str:
    return f"0x{part:02X}" if isinstance(part, int) else json.dumps(part)
