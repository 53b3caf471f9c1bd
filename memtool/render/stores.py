"""Stores of records in words and values, worded once for terminal, page and JSON."""

from __future__ import annotations

from typing import Any

from memtool.core.layouts.record_rules import RecordRules
from memtool.core.records.store import RecordStore, Standing
from memtool.core.span import format_address, format_span
from memtool.render.values import span_value

STORES_TITLE = "Data flash with old copies (emulated EEPROM)"
STORE_HEAD = ("area", "record", "records", "keys", "newest", "old", "checksums", "next record")
STANDING_WORDS = {
    Standing.NEWEST: "newest",
    Standing.OLD: "old copy",
    Standing.WITHDRAWN: "withdrawn",
    Standing.BROKEN: "cut off or damaged",
}


def store_words(store: RecordStore) -> tuple[str, ...]:
    """One row of the table."""
    checksums = store.checksums
    right = sum(checksum.holds for checksum in checksums)
    size = store.rules.record
    return (
        format_span(store.rules.span),
        f"{size} bytes" if size is not None else "with lengths",
        str(len(store.records)),
        str(len(store.keys)),
        str(len(store.newest)),
        str(len(store.stale)),
        f"{right} of {len(checksums)} hold" if checksums else "none known",
        "full" if store.free_start is None else format_address(store.free_start),
    )


def rules_value(rules: RecordRules) -> dict[str, Any]:
    """A store as a layout describes it, without an image."""
    return {
        "name": rules.name,
        **span_value(rules.span),
        "record_size": rules.record if rules.length is None else None,
        "page_size": rules.page.size if rules.page else None,
        "checksums": len(rules.checksums) + bool(rules.page and rules.page.checksum),
        "regions": [each.region.name for each in rules.regions],
    }


def store_value(store: RecordStore) -> dict[str, Any]:
    """One entry of ``record_stores``."""
    fixed = store.rules.length is None
    return {
        **span_value(store.rules.span),
        "record_size": store.rules.record if fixed else None,
        "records": len(store.records),
        "keys": len(store.keys),
        "stale": len(store.stale),
        "free_start": store.free_start,
    }
