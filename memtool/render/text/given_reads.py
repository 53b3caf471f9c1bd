"""Files that a person gives as reads: what each is, before anything is stored."""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.image import Image
from memtool.core.role import Role
from memtool.core.texts.known_identity import find_vins
from memtool.render.words import safe_text

READ_HEADINGS = ("Role", "Memory", "File", "Bytes", "Same?", "VIN", "Format")
"""What a narrow screen may cut off stands last."""


def read_cells(
    *, role: Role, memory: str | None, name: str, format: str, image: Image, before: Sequence[Image]
) -> tuple[str, ...]:
    """One read in the order of `READ_HEADINGS`, safe to print.

    Args:
        role: Which module it is of.
        memory: Which of its memories; None: not certain yet.
        name: Of the file.
        format: As its content tells.
        image: What it holds.
        before: The reads of the same module and memory that were given before.
    """
    vins = dict.fromkeys(vin.text for vin in find_vins(image))
    same = [other.sha256() == image.sha256() for other in before]
    agree = "first" if not same else ("yes" if all(same) else "DIFFER")
    tails = [f"…{vin[-8:]}" for vin in vins]
    return (
        role.value,
        safe_text(memory or "?"),
        safe_text(name),
        f"{image.size:,}",
        agree,
        safe_text(", ".join(tails) or "none"),
        format,
    )
