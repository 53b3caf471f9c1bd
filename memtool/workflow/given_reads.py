"""Reads that a person gives: counted by module and memory, and taken only where they belong."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from memtool.core.job.memory import name_of_chip
from memtool.core.job.order import Order
from memtool.core.role import Role
from memtool.errors import UsageError
from memtool.workflow.jobs import OpenJob
from memtool.workflow.naming import require_chip, require_memory
from memtool.workflow.start import GivenRead, StartRequest, find_mix_ups


def require_no_mix_up(given: GivenRead, found: Sequence[GivenRead]) -> None:
    """A read that belongs into another role is not taken; those before it stay.

    Raises:
        UsageError: it makes a mix-up with those that were named before.
    """
    request = StartRequest(folder=Path(), order=Order())
    known = find_mix_ups(request, found, {})
    new = [text for text in find_mix_ups(request, (*found, given), {}) if text not in known]
    if new:
        raise UsageError(new[0].rstrip("."), code="mix-up", file=given.read.path)


def is_single(reads: Sequence[GivenRead], opened: OpenJob | None) -> bool:
    """Whether a memory has one read only, those of the job counted in."""
    if opened is None:
        return 1 in _count(reads).values()
    backed_up = {
        (module.role, memory.name) for module in opened.job.modules for memory in module.memories
    }
    return any(
        number == 1 and (role, memory) not in backed_up
        for (role, memory), number in _count(reads).items()
    )


def is_several(reads: Sequence[GivenRead]) -> bool:
    """Whether a memory was read more than once."""
    return any(number > 1 for number in _count(reads).values())


def _count(reads: Sequence[GivenRead]) -> Counter[tuple[Role, str | None]]:
    return Counter((given.role, given.memory) for given in reads)


def parse_memory_answer(text: str) -> tuple[str, str]:
    """Name and chip of a memory, answered as ``95160`` or as ``eeprom=95160``.

    Raises:
        UsageError: it is neither.
    """
    if "=" in text:
        name, chip = require_memory(text)
        return name, chip.name
    chip = require_chip(text)
    return name_of_chip(chip.name), chip.name
