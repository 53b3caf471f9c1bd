"""A layout with proposed changes as TOML: the file as it was, and each change with its evidence.

The layout's own tables stay as they are, comments included. The changes stand in tables whose
comments are the evidence, as in a draft, and ``reviewed`` is false again: a person is asked.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from memtool.core.layouts.record_rules import Key
from memtool.core.learning.learned import Proposal
from memtool.formats.layout_toml.drafts import (
    COMMENT_WIDTH,
    add_content,
    hex_number,
    one_line,
    span_text,
    table_with_comments,
)
from memtool.lazy import tomlkit, tomlkit_items


def write_proposed_text(text: str, proposals: Sequence[Proposal], opening: Sequence[str]) -> str:
    """`text` with the changes in it, not reviewed.

    Args:
        text: A valid layout file.
        proposals: What to change; each names a store of records or a region of it rightly.
        opening: Sentences that go above everything.
    """
    document: Any = tomlkit.parse(text)
    layout = document["layout"]
    if "reviewed" in layout:
        layout.remove("reviewed")
    layout.add("reviewed", False)
    for proposal in proposals:
        holder = document if proposal.store is None else _store(document, proposal.store)
        if proposal.was is None:
            _append(holder, _new_table(proposal))
        else:
            _replace(holder, proposal)
    lines = [part for line in opening for part in textwrap.wrap(one_line(line), COMMENT_WIDTH)]
    return "".join(f"# {line}\n" for line in lines) + tomlkit.dumps(document).rstrip("\n") + "\n"


def _store(document: Any, name: str) -> Any:
    return next(store for store in document["records"] if str(store["name"]) == name)


def _append(holder: Any, table: tomlkit_items.Table) -> None:
    if "region" not in holder:
        holder.add("region", tomlkit.aot())
    elif not holder["region"][-1].as_string().endswith("\n\n"):
        holder["region"][-1].add(tomlkit.nl())
    table.add(tomlkit.nl())
    holder["region"].append(table)


def _new_table(proposal: Proposal) -> tomlkit_items.Table:
    region = proposal.region
    table = table_with_comments([proposal.confidence.value, *proposal.evidence])
    table.add("name", region.name)
    if proposal.key is not None:
        table.add("key", _key_value(proposal.key))
        table.add("span", f"{region.span.start}+{len(region.span)}")
    else:
        table.add("span", span_text(region.span))
    add_content(table, region)
    return table


def _key_value(key: Key) -> Any:
    """Numbers as hex; a list only where the key has several fields."""
    parts = [hex_number(part, digits=2) if isinstance(part, int) else part for part in key]
    if len(parts) == 1:
        return parts[0]
    array = tomlkit.array()
    for part in parts:
        array.append(part)
    return array


def _replace(holder: Any, proposal: Proposal) -> None:
    """Another kind in a table that is there, its evidence above what it says."""
    regions = holder["region"]
    place = next(
        place for place, item in enumerate(regions) if str(item["name"]) == proposal.region.name
    )
    old = regions[place]
    table = table_with_comments([proposal.confidence.value, *proposal.evidence])
    for key, value in old.items():
        table.add(key, proposal.region.kind.value if key == "kind" else value)
    del regions[place]
    regions.insert(place, table)
