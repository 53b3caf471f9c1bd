"""Entries of journals of version 1, which benchimage 0.1.0 wrote, in today's facts.

Version 1 spoke of one chip; today's events speak of a memory, which has that chip's name.
What version 1 did not note stays unknown: no digests, so its verdicts are out of date
wherever digests are asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from memtool.core.job.events.event import Judged
from memtool.core.job.events.kinds import (
    CommandRun,
    ImageBlanked,
    JobOpened,
    LayoutChosen,
    OrderAmended,
    ReadsBackedUp,
    StageChecked,
)
from memtool.core.job.memory import name_of_chip
from memtool.core.job.order import Order
from memtool.core.read_options import PLAIN

FIRST_TOOL = "0.1.0"
"""The only version that wrote journals of version 1."""

Facts = dict[str, Any]
_JUDGED = dict.fromkeys(Judged.__dataclass_fields__)
_ORDER = tuple(Order.__dataclass_fields__)


def upgrade(kind: str, facts: Mapping[str, Any]) -> Facts:
    """The facts that a version 1 entry of this kind has today.

    Raises:
        KeyError, TypeError, AttributeError: a fact is missing or of another type.
    """
    step = _STEPS.get(kind)
    new = dict(facts) if step is None else step(dict(facts))
    return {"memory": None, **new, "judged": _JUDGED, "tool": FIRST_TOOL, "intent": None}


def _order(facts: Facts) -> Facts:
    return {"order": {name: facts.get(name) for name in _ORDER}}


def _amended(facts: Facts) -> Facts:
    return {**_order(facts), "reason": None}


def _reads(facts: Facts) -> Facts:
    count, agree = facts.pop("reads"), facts["agree"]
    # Reads that agree are identical; of reads that differ the first alone was noted.
    digests = [] if agree is False else [facts["sha256"]] * len(facts["names"])
    return {
        **facts,
        "memory": name_of_chip(facts["chip"]),
        "read_count": count,
        "read_digests": digests,
        "sitting": None,
        "given": None,
        "orders": [],
        "voted": None,
        "read_times": [],
        "differing": [],
        "vins": [],
    }


def _chip_alone(facts: Facts) -> Facts:
    chip = facts.pop("chip")
    return {**facts, "memory": None if chip is None else name_of_chip(chip)}


def _checked(facts: Facts) -> Facts:
    unknown = ("mileage_before", "mileage_after", "file_sha256", "read_time")
    return {**_chip_alone(facts), **dict.fromkeys(unknown), "again": [], "order": PLAIN}


def _blanked(facts: Facts) -> Facts:
    return {
        "searched": "",
        "order": PLAIN,
        **_chip_alone(facts),
        "edits": [_with_span(edit) for edit in facts["edits"]],
        "kept": [_with_span(kept) for kept in facts["kept"]],
    }


def _with_span(facts: Mapping[str, Any]) -> Facts:
    rest = {name: value for name, value in facts.items() if name not in ("start", "end")}
    return {**rest, "span": {"start": facts["start"], "end": facts["end"]}}


def _command(facts: Facts) -> Facts:
    return {"command": facts.pop("command"), "details": facts}


_STEPS: dict[str, Callable[[Facts], Facts]] = {
    JobOpened.kind: _order,
    OrderAmended.kind: _amended,
    ReadsBackedUp.kind: _reads,
    LayoutChosen.kind: _chip_alone,
    ImageBlanked.kind: _blanked,
    StageChecked.kind: _checked,
    CommandRun.kind: _command,
}
"""Kinds whose facts have another shape today; the others only gain what every event carries."""
