"""Algorithms and checksums as JSON values, in the shapes that `docs/schema/` publishes."""

from __future__ import annotations

from typing import Any

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.checksums.checksum import ChecksumResult, ChecksumRule
from memtool.render.text.checksum_text import value_hex
from memtool.render.values import checksum_value, span_value, span_values


def algorithm_value(algorithm: Algorithm) -> dict[str, Any]:
    """One row of the catalogue; null where it does not apply."""
    crc, width = algorithm.crc, algorithm.width
    return {
        "name": algorithm.name,
        "family": algorithm.family,
        "width": width,
        "poly": None if crc is None else value_hex(crc.poly, width),
        "init": None if crc is None else value_hex(crc.init, width),
        "refin": None if crc is None else crc.refin,
        "refout": None if crc is None else crc.refout,
        "xorout": None if crc is None else value_hex(crc.xorout, width),
        "check": None if crc is None else value_hex(crc.check, width),
        "residue": None if crc is None else value_hex(crc.residue, width),
        "word_order": algorithm.word_order,
        "ending": None if algorithm.ending is None else algorithm.ending.value,
        "aliases": list(algorithm.aliases),
    }


def rule_value(rule: ChecksumRule, result: ChecksumResult) -> dict[str, Any]:
    """What a layout says about one checksum, and what the image says."""
    return {
        **checksum_value(result),
        "covers": span_values(rule.covers),
        "field": span_value(rule.stored),
        "byte_order": rule.byte_order,
        "reason": result.reason,
    }
