"""The rules that a blanking must pass. The workflow asks them; it holds none itself.

 1. `open-job`: there is an open job.
 2. `authority`: it records how ownership was proven and who gave the written order.
 3. `vehicle-vin`: it records the VIN of the vehicle that the module is for.
 4. `module-kind`: the job never spoke of an airbag or immobiliser module, by its order at any
    time or by any layout named in it.
 5. `also-holds`: of a module that holds keys or crash data too, a reviewed layout says where
    protected data lies; a VIN alone is not enough.
 6. `donor-backup`: the image is backed up as this job's donor, and the stored copy has
    just been read back and hashed again, in this run.
 7. `reads-agree`: the backup's reads hold one image, or why there is a single one is on
    record.
 8. `sound-read`: no finding says that the read is certainly bad.
 9. `read-areas`: no protected region holds one value throughout, as one that the reader could
    not read; unless it was declared as not read, a second method of reading agrees, or a
    person decided that it is really empty.
10. `reviewed-layout`: a person has reviewed the layout; or there is none, and a VIN is
    named whose copies alone are blanked.
11. `layout-fits`: the layout is for this chip, base and size, its VIN fields hold a VIN or
    are blank, most checksums of its record stores hold, and every checksum that is to be
    refreshed holds in the image as it is.
12. `records-intact`: without a layout, nothing is taken out of a record or page of a store whose
    checksum holds: a module may take a store with broken checksums for empty.
13. `other-vehicle`: the donor does not hold the vehicle's own VIN and no other; beside a
    stranger's it is blanked by a reviewed layout alone, and a person decides.
14. `same-image`: the donor's image is not the original's, where there is an identity in it.
15. `protected-untouched`: no changed byte lies in a protected or module-identity region of any
    layout that the job ever named.
16. `only-planned`: no byte outside the plan changes.
17. `no-new-identity`: what comes out holds no VIN and no trace of one that did not go in.
18. `clean-reference`: the reference that gives bytes holds no identity at all.
19. `kept-identity`: no kept span lies over a VIN or over a region for one.
20. `no-leftover`: no trace of an identity that goes stays outside the plan, unless chance
    explains it or a person keeps it with a reason; then it is named.
21. `output-new`: the output does not exist yet.
22. `confirmed`: the person typed the confirmation.

There is no way around a rule: no function here takes a force option. What a rule could not
look at is not checked, never passed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from memtool.core.finding import Check, Verdict
from memtool.core.image import Image
from memtool.core.job import gate_image_rules, gate_job_rules
from memtool.core.job.blanking import BlankPlan, digest_of_plans
from memtool.core.job.events.kinds import ReadsBackedUp
from memtool.core.job.gate_question import Answer, GateQuestion, LeftOpen, Rule
from memtool.core.job.job import Job
from memtool.core.runs import find_changes
from memtool.core.span import subtract_spans
from memtool.errors import RefusalError


def compute_confirmation(plans: Sequence[BlankPlan], identities: Sequence[str]) -> str | None:
    """What the person must type: the last six characters of the VIN to be removed.

    With none, or several, the first six digits of the plans' digest; None without a plan.
    """
    if len(identities) == 1:
        return identities[0][-6:]
    return digest_of_plans(plans)[:6] if plans else None


def check_blank(question: GateQuestion) -> tuple[Check, ...]:
    """What every rule says, in order."""
    return tuple(_as_check(rule, rule.decide(question)) for rule in RULES)


def _as_check(rule: Rule, answer: Answer) -> Check:
    match answer:
        case None:
            return Check(code=rule.code, result=Verdict.PASS, text=rule.allowed)
        case LeftOpen():
            # With a reason nothing could look at it; without one a person must.
            result = Verdict.NOT_CHECKED if answer.reason else Verdict.DECIDE
            return Check(code=rule.code, result=result, text=answer.text, reason=answer.reason)
        case _:
            text = f"{answer[:1].upper()}{answer[1:]}."
            return Check(code=rule.code, result=Verdict.FAIL, text=text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """A blanking that kept all rules: what may be written. Only `require_blank` makes one."""

    job: Job
    reads: ReadsBackedUp
    plan: BlankPlan
    blanked: Image


def require_blank(question: GateQuestion) -> Clearance:
    """Let a blanking pass that keeps all rules.

    Raises:
        RefusalError: the first broken rule, by its code; the sentence names the others.
    """
    answers = [(rule, rule.decide(question)) for rule in RULES]
    broken = [(rule, answer) for rule, answer in answers if isinstance(answer, str)]
    if broken:
        rule, refusal = broken[0]
        others = ", ".join(other.code for other, _ in broken[1:])
        also = f"; also broken: {others}" if others else ""
        raise RefusalError(
            f"{refusal} (rule {rule.number}, {rule.code}{also})",
            code=rule.code,
            next_step=rule.next_step,
        )
    # Rules let pass what is missing and not theirs; together they refuse it. This is for the day
    # they do not.
    if not (question.job and question.reads and question.plan and question.blanked):
        raise ValueError("the rules passed an incomplete question")
    return Clearance(
        job=question.job, reads=question.reads, plan=question.plan, blanked=question.blanked
    )


def find_mend(checks: Sequence[Check]) -> str | None:
    """What mends the first rule that says no, without full stop; None where all allow it."""
    broken = {check.code for check in checks if check.result is Verdict.FAIL}
    return next((rule.next_step for rule in RULES if rule.code in broken), None)


def check_written(
    plan: BlankPlan, before: Image, intended: Image, written: Image
) -> tuple[Check, ...]:
    """Whether the file on disk, read back, holds the planned image and nothing else."""
    # Two questions, not one: a fault in making the image would be in `intended` as well.
    same = written == intended
    outside = subtract_spans(find_changes(before, written), plan.spans)
    shape = before.spans == written.spans
    return (
        Check(
            code="written-equal",
            result=Verdict.PASS if same else Verdict.FAIL,
            text="The file was read back and is exactly the planned image."
            if same
            else "The file was read back and is not the planned image.",
        ),
        Check(
            code="only-planned",
            result=Verdict.PASS if shape and not outside else Verdict.FAIL,
            text="Only planned bytes differ from the donor's backup."
            if shape and not outside
            else "Bytes outside the plan differ from the donor's backup.",
            spans=outside,
        ),
    )


def _output_new(question: GateQuestion) -> Answer:
    return "the output exists already" if question.out_exists else None


def _confirmed(question: GateQuestion) -> Answer:
    # Nobody was asked, since nothing is written yet.
    if question.confirmation is None:
        return None
    if question.confirmation == compute_confirmation(question.confirmed_plans, question.identities):
        return None
    return "what was typed does not confirm this plan"


RULES = tuple(
    Rule(number=number, code=code, decide=decide, allowed=allowed, next_step=next_step)
    # The order is that of the docstring, and the first broken rule names the refusal.
    for number, (code, decide, allowed, next_step) in enumerate(
        (
            (
                "open-job",
                gate_job_rules.open_job,
                "There is an open job.",
                "open one with 'benchimage start', or name its folder with --job",
            ),
            (
                "authority",
                gate_job_rules.authority,
                "Proof of ownership and the written order are on record.",
                "record them with 'benchimage start --authority TEXT'",
            ),
            (
                "vehicle-vin",
                gate_job_rules.vehicle_vin,
                "The vehicle's VIN is on record.",
                "record it with 'benchimage start --vehicle-vin VIN'",
            ),
            (
                "module-kind",
                gate_job_rules.module_kind,
                "Nothing on record says that this is an airbag or immobiliser module.",
                (
                    "leave airbag and immobiliser modules to the maker's procedure; if the word"
                    " was a slip, open a new job with 'benchimage start --from OLD --reason TEXT'"
                ),
            ),
            (
                "also-holds",
                gate_job_rules.also_holds,
                "It is known where keys or crash data are stored, or the module holds none.",
                (
                    "use a reviewed layout that has a protected region; for crash data, one whose"
                    " name holds the word 'crash'"
                ),
            ),
            (
                "donor-backup",
                gate_job_rules.donor_backup,
                "The donor's backup was read back and hashed again in this run.",
                "back up the donor's reads with 'benchimage start --donor READ'",
            ),
            (
                "reads-agree",
                gate_job_rules.reads_agree,
                "The donor's reads are identical, or the reason for a single read is on record.",
                "read the donor again and add the reads with 'benchimage start --donor READ'",
            ),
            (
                "sound-read",
                gate_job_rules.sound_read,
                "No finding shows that the read is bad.",
                "fix the connection, read the donor again and back up the new reads",
            ),
            (
                "read-areas",
                gate_image_rules.read_areas,
                "No protected region looks as if the reader was locked out.",
                (
                    "read it with a method that can; declare a region of one value with"
                    " 'benchimage start --not-read SPAN --reason TEXT' or, if it is known to be"
                    " empty, decide the point 'read-areas' of 'benchimage check --stage donor'"
                ),
            ),
            (
                "reviewed-layout",
                gate_image_rules.reviewed_layout,
                "The layout is reviewed, or only copies of one VIN are blanked.",
                (
                    "review a layout with 'benchimage layout review FILE' and blank with it; or, "
                    "if no checksum covers the VIN, give --vin VIN alone"
                ),
            ),
            (
                "layout-fits",
                gate_image_rules.layout_fits,
                "The layout fits the image.",
                "choose the layout of this module with --layout",
            ),
            (
                "records-intact",
                gate_image_rules.records_intact,
                "No record whose checksum is right is broken.",
                (
                    "describe the records with 'benchimage layout draft', review the layout, and "
                    "blank with it: a layout refreshes their checksums"
                ),
            ),
            (
                "other-vehicle",
                gate_image_rules.other_vehicle,
                "The donor is not the vehicle's own module.",
                (
                    "check that this is the donor and not the original; if it also holds another "
                    "VIN, give a reviewed layout"
                ),
            ),
            (
                "same-image",
                gate_image_rules.same_image,
                "The donor's image is not the original's.",
                "read the other module, and give each read its own role",
            ),
            (
                "protected-untouched",
                gate_image_rules.protected_untouched,
                "Protected and module-identity regions stay untouched.",
                "leave these spans out of --span and correct the layout",
            ),
            (
                "only-planned",
                gate_image_rules.only_planned,
                "No byte outside the plan changes.",
                "report this: it must not happen",
            ),
            (
                "no-new-identity",
                gate_image_rules.no_new_identity,
                "The file holds no VIN that the input did not hold.",
                "correct the layout's blank values; the tool writes no VIN",
            ),
            (
                "clean-reference",
                gate_image_rules.clean_reference,
                "The reference image holds no identity, or is not used.",
                "give a never-configured module's read with 'benchimage start --reference READ'",
            ),
            (
                "kept-identity",
                gate_image_rules.kept_identity,
                "No kept span holds a VIN or the place for one.",
                "keep a narrower span",
            ),
            (
                "no-leftover",
                gate_image_rules.no_leftover,
                "No unexplained trace of the old identity remains.",
                "add it with --span SPAN, or keep it with --keep SPAN --reason TEXT",
            ),
            (
                "output-new",
                _output_new,
                "The output file does not exist yet.",
                "choose another name with --out",
            ),
            (
                "confirmed",
                _confirmed,
                "Confirmed by the operator (not needed for a dry run).",
                "check which image this is, then type what is asked for",
            ),
        ),
        start=1,
    )
)
