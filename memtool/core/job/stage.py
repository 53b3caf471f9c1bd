"""The stages of a job's checks, and what all checks of one say together."""

from __future__ import annotations

from enum import StrEnum


class Stage(StrEnum):
    """When in the job a check is made."""

    DONOR = "donor"
    BEFORE_WRITING = "before-writing"
    AFTER_WRITING = "after-writing"
    AFTER_SETUP = "after-setup"
    RESTORED = "restored"
    """Asked only where a module is given back as received."""


class StageVerdict(StrEnum):
    """What all checks of a stage say together."""

    PASS = "pass"
    FAIL = "fail"
    INCOMPLETE = "incomplete"
    """Nothing failed, something was not checked."""
    ONLY_COUNTERS_DIFFER = "only-counters-differ"
    OUT_OF_DATE = "out-of-date"
    """Something that was judged has changed since. Never given by a check, see `standing`."""
