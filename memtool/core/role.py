"""Which module of a job an image came from."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    """Which module of the job an image came from."""

    ORIGINAL = "original"
    DONOR = "donor"
    REFERENCE = "reference"
