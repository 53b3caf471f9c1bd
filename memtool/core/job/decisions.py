"""What a person decided on the points that checks left to a person, and what then holds.

Rules
-----
1. A decision counts for a point of the same stage, memory and question, where the check
   judged the same (by digest) and found the same, word for word.
2. Only a point with the result `decide` can be decided: neither a failure, nor what was not
   checked at all.
3. The newest decision on a point counts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from memtool.core.finding import Check, Verdict
from memtool.core.job.events.kinds import StageChecked
from memtool.core.job.events.person_kinds import DecisionMade
from memtool.core.job.job import Job
from memtool.core.job.stage import StageVerdict
from memtool.core.job.stages.answers import compute_verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One answer of a check, with what a person decided on it."""

    label: str
    """How a person names it: the code, with a number where several are open."""
    check: Check
    memory: str | None
    decision: DecisionMade | None

    @property
    def is_open(self) -> bool:
        """Whether a person still has to decide it."""
        return self.check.result is Verdict.DECIDE and self.decision is None


def list_points(job: Job, checked: StageChecked) -> tuple[Point, ...]:
    """Every answer of that check, in its order."""
    several = len(job.memories) > 1 and checked.memory is not None
    count: Counter[str] = Counter()
    points = []
    for check in checked.checks:
        label = f"{checked.memory}/{check.code}" if several else check.code
        decision = None
        if check.result is Verdict.DECIDE:
            count[check.code] += 1
            label += f"-{count[check.code]}" if count[check.code] > 1 else ""
            decision = _decision_on(job, checked, check)
        points.append(Point(label=label, check=check, memory=checked.memory, decision=decision))
    return tuple(points)


def judge_points(points: Sequence[Point]) -> StageVerdict:
    """What all answers say together; a decided point holds nothing up."""
    return compute_verdict(
        [
            replace(point.check, result=Verdict.PASS) if point.decision else point.check
            for point in points
        ]
    )


def tell_decided(points: Iterable[Point]) -> str | None:
    """How many points were decided, and by whom; a clause, or None where none was."""
    made = [point.decision for point in points if point.decision is not None]
    if not made:
        return None
    names = ", ".join(sorted({decision.name for decision in made}))
    count = "1 point" if len(made) == 1 else f"{len(made)} points"
    return f"{count} decided by {names}"


def points_to_facts(points: Iterable[Point]) -> list[dict[str, Any]]:
    """Points in the shape that `docs/schema/` publishes, for scripts."""
    return [
        {
            "code": point.check.code,
            "memory": point.memory,
            "result": point.check.result.value,
            "reason": point.check.reason,
            "text": point.check.text,
            "spans": [{"start": span.start, "end": span.end} for span in point.check.spans],
            "decision": None
            if point.decision is None
            else {
                "text": point.decision.text,
                "name": point.decision.name,
                "time": point.decision.time,
            },
        }
        for point in points
    ]


def _decision_on(job: Job, checked: StageChecked, check: Check) -> DecisionMade | None:
    for decision in reversed(job.decisions):
        if (
            decision.stage is checked.stage
            and decision.memory == checked.memory
            and decision.judged == checked.judged
            and (decision.code, decision.found) == (check.code, check.text)
        ):
            return decision
    return None
