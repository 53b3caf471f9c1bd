"""Which memory of the module a file was read from: by name, or by size where it is certain."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from memtool.core.chip import find_chip


def split_named(text: str, names: Collection[str]) -> tuple[str | None, str]:
    """What was typed as ``NAME=REST``: the memory's name and the rest.

    Only the name of a memory that the job knows counts, so that a file whose own name
    holds an ``=`` can be named as it is.

    Returns:
        (None, `text`) where no known name stands before an ``=``.
    """
    name, separator, rest = text.partition("=")
    return (name, rest) if separator and name in names else (None, text)


def find_memory_of_size(size: int, chips: Mapping[str, str]) -> str | None:
    """The one memory that a read of this size can only have come from; None where unsure.

    Args:
        size: Defined bytes of the read.
        chips: The chip of each memory, by the memory's name. A single memory takes every
            read: a wrong size is then a fault of the read, and told as one. Among several
            a memory whose chip is not known may have any size.
    """
    if len(chips) == 1:
        return next(iter(chips))
    known = {name: find_chip(chip) for name, chip in chips.items()}
    if None in known.values():
        return None
    fitting = [name for name, chip in known.items() if chip is not None and chip.size == size]
    return fitting[0] if len(fitting) == 1 else None
