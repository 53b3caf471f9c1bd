"""Stores of records as lists beside the bytes: each store in a row, each page to open and close."""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.layouts.record_rules import format_key
from memtool.core.records.store import RecordStore, Standing, StoredPage
from memtool.core.span import format_span
from memtool.core.words import count_of
from memtool.render.page.blocks import Cell, code
from memtool.render.page.byte_page import PlacedList, PlacedRow
from memtool.render.stores import STANDING_WORDS, STORE_HEAD, STORES_TITLE, store_words

_MOST_RECORDS = 400
"""Rows of one page; the bytes themselves are all there."""
_MOST_PAGES = 64


def describe_stores(stores: Sequence[RecordStore]) -> list[PlacedList]:
    """Each store in one row, then its pages, each with its records."""
    rows = [
        PlacedRow(span=store.rules.span, cells=tuple(map(Cell, store_words(store)[1:])))
        for store in stores
    ]
    pages = [(store, page) for store in stores for page in store.pages if page.in_use]
    return [
        PlacedList(
            title=STORES_TITLE,
            head=STORE_HEAD[1:],
            rows=rows,
            empty="None.",
            more=_more(len(pages), _MOST_PAGES, "page"),
        ),
        *(_page_of_store(store, page) for store, page in pages[:_MOST_PAGES]),
    ]


def _page_of_store(store: RecordStore, page: StoredPage) -> PlacedList:
    """The records of one page, the newest of all first; folded, for there are many."""
    inside = [record for record in reversed(store.records) if page.span.contains(record.span)]
    number = "" if page.sequence is None else f", number {page.sequence}"
    newest = sum(record.standing is Standing.NEWEST for record in inside)
    return PlacedList(
        title=f"Page {format_span(page.span)}{number}: {count_of(len(inside), 'record')},"
        f" {newest} newest",
        head=("key", "what it is worth"),
        rows=[
            PlacedRow(
                span=record.span,
                cells=(code(format_key(record.key)), Cell(STANDING_WORDS[record.standing])),
            )
            for record in inside[:_MOST_RECORDS]
        ],
        empty="None.",
        more=_more(len(inside), _MOST_RECORDS, "record"),
        is_folded=True,
    )


def _more(count: int, most: int, word: str) -> str | None:
    left = count - most
    return f"{count_of(left, f'more {word}')} not listed; the bytes show all." if left > 0 else None
