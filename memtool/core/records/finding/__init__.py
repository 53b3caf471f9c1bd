"""Stores of records found without a layout: their rules, told from their bytes."""

from memtool.core.records.finding.search import FoundStore, find_stores

__all__ = ["FoundStore", "find_stores"]
