"""The two ways in which a hex file is read, each by itself: line by line, and in blocks."""

from __future__ import annotations

import pytest

from memtool.formats import hex_text
from memtool.formats.fault_list import FaultList
from memtool.formats.grammar import Grammar, Item, Record, Run, Unread
from memtool.formats.hex_text import HexText
from memtool.formats.whole_file import read_block


def read_in_blocks(monkeypatch: pytest.MonkeyPatch, size: int = 1 << 19) -> None:
    """Let even the shortest file be read in blocks, of `size` characters at most."""
    monkeypatch.setattr(hex_text, "WHOLE_FILE_FROM", 0)
    monkeypatch.setattr(hex_text, "BLOCK", size)


def records_by_lines(grammar: Grammar, data: bytes) -> list[Record | Unread]:
    """What the line reader finds in a short file."""
    assert 0 < len(data) < hex_text.WHOLE_FILE_FROM
    text = HexText(grammar, FaultList())
    text.read(data)
    return apart(text.items)


def records_in_a_block(grammar: Grammar, data: bytes) -> list[Record | Unread] | None:
    """What the block reader finds, all lines at once; None where it leaves them alone."""
    block = read_block(grammar, data, 1)
    return None if block is None else apart(block.items)


def apart(items: list[Item]) -> list[Record | Unread]:
    """The records one by one."""
    records: list[Record | Unread] = []
    for item in items:
        if not isinstance(item, Run):
            records.append(item)
            continue
        place = 0
        assert len(item.sizes) == len(item.lines)
        for size, line in zip(item.sizes, item.lines, strict=True):
            data = item.data[place : place + size]
            records.append(Record(line, item.kind, item.address + place, data))
            place += size
        assert place == len(item.data)
    return records
