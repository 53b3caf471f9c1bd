"""A person's decision on a point that a check left to a person, put into the record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from memtool.core.finding import Verdict
from memtool.core.job.decisions import Point, list_points
from memtool.core.job.events.event import Judged
from memtool.core.job.events.kinds import AreaSettled, ReadsBackedUp, StageChecked
from memtool.core.job.events.person_kinds import DecisionMade
from memtool.core.job.job import Job
from memtool.core.job.order import says_nothing
from memtool.core.job.stage import Stage
from memtool.core.job.stages.read_areas import AREAS_CODE
from memtool.core.job.standing import Standing, find_changed, find_standing, tell_changed
from memtool.core.role import Role
from memtool.core.runs import find_changes
from memtool.core.span import Span, format_span, intersect_spans
from memtool.errors import RefusalError, UsageError
from memtool.store.backups import BackupStore
from memtool.workflow.jobs import OpenJob, append_event, load_role
from memtool.workflow.loading import LoadedRead


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """One decision, and what the check says now."""

    opened: OpenJob
    decision: DecisionMade
    standing: Standing
    left: tuple[Point, ...]
    """Points of the same check that are still open."""


def decide_point(
    opened: OpenJob,
    store: BackupStore,
    point: str,
    text: str,
    *,
    name: str | None,
    stage: Stage | None = None,
    second: LoadedRead | None = None,
    now: datetime,
) -> Decided:
    """Record what a person decided on a point of the newest checks.

    Args:
        opened: The job.
        store: Where its backups are.
        point: As `check` prints it beside the point.
        text: The decision and its reason.
        name: Of the person; None: the order's technician.
        stage: Where several checks have a point of that name; None: the newest of them.
        second: A read of the memory by another method, which shows an area as the first did.
        now: Time of the entry, with zone.

    Raises:
        UsageError: there is no such open point, or text or name say nothing.
        RefusalError: the point failed, was not checked, or its check is out of date; or the
            second read holds something else in the area.
    """
    name = opened.job.order.technician if name is None else name
    if says_nothing(text):
        raise UsageError(
            "a blank or a dot is not a decision",
            code="missing-answer",
            next_step="say what was decided, and why",
        )
    if name is None or says_nothing(name):
        raise UsageError(
            "the name of the person who decides is not on record",
            code="missing-answer",
            next_step="give --name NAME, or record it with 'benchimage start --technician NAME'",
        )
    checked, found = _find_point(opened.job, point, stage)
    area = _area_of(opened.job, checked, found, second, reason=text, name=name)
    if area is not None and second is not None:
        _require_same(second, load_role(opened, store, Role.DONOR, checked.memory), area.spans)
    event = DecisionMade(
        memory=checked.memory,
        judged=checked.judged,
        stage=checked.stage,
        entry=checked.number,
        point=found.label,
        code=found.check.code,
        found=found.check.text,
        text=text,
        name=name,
    )
    opened = append_event(opened, event, now=now)
    made = opened.job.decisions[-1]
    if area is not None:
        files = [] if second is None else [(second.path, second.file_sha256)]
        opened = append_event(opened, area, files=files, now=now)
    standing = find_standing(opened.job, checked.stage, checked.memory)
    assert standing is not None
    left = tuple(each for each in list_points(opened.job, checked) if each.is_open)
    return Decided(opened=opened, decision=made, standing=standing, left=left)


def _area_of(
    job: Job,
    checked: StageChecked,
    point: Point,
    second: LoadedRead | None,
    *,
    reason: str,
    name: str,
) -> AreaSettled | None:
    """What the decision says of an area that reads as one value; None: the point is another.

    Raises:
        UsageError: a second read was given, and the point is about no area.
    """
    donor = job.newest_backup(Role.DONOR, checked.memory)
    if checked.stage is not Stage.DONOR or point.check.code != AREAS_CODE or donor is None:
        if second is not None:
            raise UsageError(
                f"'{point.label}' is not about an area that reads as one value",
                code="no-area",
                next_step="leave --second-method out",
            )
        return None
    reads = (donor.sha256, *([] if second is None else [second.image.sha256()]))
    return AreaSettled(
        memory=donor.memory,
        judged=Judged(backups=(donor.backup,), reads=reads),
        spans=point.check.spans,
        how="empty" if second is None else "second-method",
        reason=reason,
        name=name,
    )


def _require_same(
    second: LoadedRead, donor: tuple[ReadsBackedUp, LoadedRead] | None, spans: Sequence[Span]
) -> None:
    """The second read shows the areas exactly as the donor's does.

    Raises:
        RefusalError: it holds something else there, or does not reach there.
    """
    assert donor is not None
    image = donor[1].image
    for span in spans:
        held = intersect_spans([span], image.spans)
        if all(second.image.covers(part) for part in held) and not intersect_spans(
            find_changes(image, second.image), held
        ):
            continue
        raise RefusalError(
            f"the second read does not hold at {format_span(span)} what the donor's read holds, so"
            " that the two methods do not agree",
            code="methods-differ",
            next_step="give the read of the method that shows more as the donor's, with"
            " 'benchimage start --donor READ --replaces OLD --reason TEXT'",
            file=second.path,
        )


def _find_point(job: Job, asked: str, stage: Stage | None) -> tuple[StageChecked, Point]:
    """The point that is meant: of the newest check that has one of that name to decide."""
    named: list[tuple[StageChecked, Point]] = [
        (checked, point)
        for checked in _newest_checks(job)
        if stage in (None, checked.stage)
        for point in list_points(job, checked)
        if point.label == asked
    ]
    to_decide = [pair for pair in named if pair[1].check.result is Verdict.DECIDE]
    if to_decide:
        checked, point = to_decide[0]
        changed = find_changed(job, checked)
        if changed:
            raise RefusalError(
                f"the check {checked.stage.value} is out of date: {tell_changed(changed)}",
                code="out-of-date",
                next_step=f"make it again with 'benchimage check --stage {checked.stage.value}'",
            )
        return checked, point
    if named:
        raise _not_for_a_person(*named[0])
    open_points = [
        point.label
        for checked in _newest_checks(job)
        for point in list_points(job, checked)
        if point.is_open
    ]
    listed = f"open points: {', '.join(open_points)}" if open_points else "no point is open"
    raise UsageError(
        f"no check has a point '{asked}' to decide",
        code="no-such-point",
        next_step=listed,
    )


def _newest_checks(job: Job) -> list[StageChecked]:
    """The newest check of each stage and memory, the newest of all first."""
    newest = {(checked.stage, checked.memory): checked for checked in job.stage_checks}
    return sorted(newest.values(), key=lambda checked: -checked.number)


def _not_for_a_person(checked: StageChecked, point: Point) -> RefusalError:
    check = point.check
    what = {
        Verdict.FAIL: "failed, and a failure cannot be decided",
        Verdict.PASS: "passed; there is nothing to decide",
    }.get(check.result, "was not checked; there is nothing to decide yet")
    return RefusalError(
        f"'{point.label}' of {checked.stage.value} {what}: {check.text.rstrip('.')}",
        code=f"not-to-decide-{check.result.value}",
        next_step="settle it and check again" if check.result is not Verdict.PASS else None,
    )
