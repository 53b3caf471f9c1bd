"""A search for checksums as JSON values, in the shape of `docs/schema/checksum-discover.json`."""

from __future__ import annotations

from typing import Any

from memtool.core.discovery import (
    DiscoveredBlock,
    Discovery,
    Equivalent,
    SearchedPlacement,
    UnknownConstants,
)
from memtool.render.text.checksum_text import value_hex
from memtool.render.values import span_value, span_values


def discovery_values(found: Discovery) -> dict[str, Any]:
    """The document's keys, without schema and images."""
    return {
        "blocks": [_block(block) for block in found.blocks],
        "truncated": found.truncated,
        "expected_by_chance": found.expected_by_chance,
        "searched": {
            "algorithms": list(found.algorithms),
            "placements": [_placement(placement) for placement in found.placements],
            "spans": span_values(found.spans),
        },
        "notes": list(found.notes),
    }


def _block(block: DiscoveredBlock) -> dict[str, Any]:
    return {
        "algorithm": block.algorithm,
        **span_value(block.block),
        "field": None if block.field is None else span_value(block.field),
        "byte_order": block.byte_order,
        "word_swapped": block.word_swapped,
        "total": block.total,
        "placement": block.placement.value,
        "images": list(block.images),
        "bits": round(block.bits, 3),
        "expected_by_chance": block.expected_by_chance,
        "start_expected_by_chance": block.start_expected_by_chance,
        "standing": block.standing.value,
        "equivalents": [_equivalent(equivalent) for equivalent in block.equivalents],
        "unknown": None if block.unknown is None else _unknown(block.unknown),
    }


def _equivalent(equivalent: Equivalent) -> dict[str, Any]:
    return {
        "algorithm": equivalent.algorithm,
        "byte_order": equivalent.byte_order,
        "word_swapped": equivalent.word_swapped,
        "total": equivalent.total,
        "starts": span_values(equivalent.starts),
        "ends": span_values(equivalent.ends),
        "field": None if equivalent.field is None else span_value(equivalent.field),
        "start_step": equivalent.start_step,
        "end_step": equivalent.end_step,
        "count": equivalent.count,
    }


def _unknown(unknown: UnknownConstants) -> dict[str, Any]:
    width = unknown.width
    return {
        "width": width,
        "poly": value_hex(unknown.poly, width),
        "reflected": unknown.reflected,
        "constant": value_hex(unknown.constant, width),
        "pairs": [
            {"init": value_hex(init, width), "xorout": value_hex(xorout, width)}
            for init, xorout in unknown.pairs
        ],
    }


def _placement(placement: SearchedPlacement) -> dict[str, Any]:
    return {
        "placement": placement.placement.value,
        "places": placement.places,
        "left_out": placement.left_out,
    }
