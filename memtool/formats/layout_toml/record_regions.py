"""What ``[[records.region]]`` says: a region of the records of one key, or over several."""

from __future__ import annotations

from memtool.core.layouts.record_rules import Key, RecordRegion, RecordRules
from memtool.core.span import Span, format_span
from memtool.formats.layout_toml.faults import FaultBook
from memtool.formats.layout_toml.lines import KeyPath
from memtool.formats.layout_toml.tables import RegionDraft, Table, judge_region

MOST_KEYS = 256
"""Of a value that is spread over several."""


def judge_record_region(
    values: Table, path: KeyPath, rules: RecordRules | None, faults: FaultBook
) -> RecordRegion | None:
    """Judge one region; None where something is wrong, or the rules around it are."""
    before = len(faults)
    draft = judge_region(values, path, None, faults)
    keys = _keys(values, path, draft, rules, faults)
    if draft.copy_of is not None:
        text = f"{draft.label}: the records of a key are its copies; leave 'copy_of' out"
        faults.add((*path, "copy_of"), "layout-records", text)
    if draft.name is not None and not draft.name.strip():
        faults.add((*path, "name"), "layout-value", f"{draft.label}: 'name' is blank")
    if rules is not None and draft.span is not None and keys:
        _judge_span(draft, draft.span, keys, rules, faults)
    if len(faults) > before or rules is None or draft.kind is None or not keys:
        return None
    return RecordRegion(keys=keys, region=draft.to_region())


def _keys(
    values: Table,
    path: KeyPath,
    draft: RegionDraft,
    rules: RecordRules | None,
    faults: FaultBook,
) -> tuple[Key, ...]:
    has = [name for name in ("key", "keys") if values.get(name) is not None]
    if len(has) != 1:
        text = f"{draft.label}: write 'key' for one key, or 'keys' for a value over several"
        faults.add(path, "layout-key-missing", text)
        return ()
    place, value = (*path, has[0]), values[has[0]]
    if has[0] == "key":
        key = _key(value, place, draft.label, rules, faults)
        return () if key is None else (key,)
    if not isinstance(value, list) or not 2 <= len(value) <= MOST_KEYS:
        text = f"{draft.label}: 'keys' must be a list of 2 to {MOST_KEYS} keys"
        faults.add(place, "layout-value", text)
        return ()
    found = [_key(each, place, draft.label, rules, faults) for each in value]
    if None in found:
        return ()
    keys = tuple(key for key in found if key is not None)
    if len(set(keys)) < len(keys):
        text = f"{draft.label}: 'keys' names a key twice"
        faults.add(place, "layout-records", text)
        return ()
    return keys


def _key(
    value: object, place: KeyPath, label: str, rules: RecordRules | None, faults: FaultBook
) -> Key | None:
    parts = value if isinstance(value, list) else [value]
    if not parts or not all(
        isinstance(part, int | str) and not isinstance(part, bool) for part in parts
    ):
        text = f"{label}: a key is a number, a text, or a list of these, one for each key field"
        faults.add(place, "layout-value", text)
        return None
    if rules is None:
        return tuple(parts)
    if len(parts) > len(rules.key):
        text = f"{label}: a key of {len(parts)} parts, but records have {len(rules.key)} key fields"
        faults.add(place, "layout-records", text)
        return None
    for part, field in zip(parts, rules.key, strict=False):
        if field.is_number is not isinstance(part, int):
            wanted = "a number" if field.is_number else "a text"
            text = f"{label}: '{part}' must be {wanted}, as the key field at {field.at} is"
            faults.add(place, "layout-value", text)
            return None
        if isinstance(part, int) and not 0 <= part < 1 << 8 * field.size:
            text = f"{label}: key {part} does not fit into {field.type}"
            faults.add(place, "layout-value", text)
            return None
    return tuple(parts)


def _judge_span(
    draft: RegionDraft, span: Span, keys: tuple[Key, ...], rules: RecordRules, faults: FaultBook
) -> None:
    place = (*draft.path, "span")
    if len(keys) > 1:
        size = rules.value.size if rules.value else None
        if size is None:
            text = f"{draft.label}: 'keys' needs 'value' of the store with a 'size'"
            faults.add((*draft.path, "keys"), "layout-records", text)
        elif span.end > size * len(keys):
            text = f"{draft.label}: {format_span(span)} is outside the {size * len(keys)} bytes"
            faults.add(place, "layout-span-outside", f"{text} of its {len(keys)} keys")
        return
    if rules.record is not None and rules.length is None and span.end > rules.record:
        text = f"{draft.label}: {format_span(span)} is outside a record of {rules.record} bytes"
        faults.add(place, "layout-span-outside", text)
    for name, taken in _fields_of(rules):
        if span.overlaps(taken):
            text = f"{draft.label}: {format_span(span)} overlaps '{name}' at {format_span(taken)}"
            faults.add(place, "layout-overlap", text)


def _fields_of(rules: RecordRules) -> list[tuple[str, Span]]:
    """What of a record is no region's: blanking it would change what the record is."""
    found = [("key", each.span) for each in rules.key]
    found += [
        ("checksum", Span(each.at, each.at + each.size)) for each in rules.checksums if each.at >= 0
    ]
    if rules.mark is not None:
        found.append(("mark", rules.mark.place.span))
    if rules.newest.place is not None:
        found.append(("newest", rules.newest.place.span))
    if rules.length is not None:
        found.append(("length", rules.length.place.span))
    if rules.value is not None and rules.value.length is not None:
        found.append(("value.length", rules.value.length.span))
    return found
