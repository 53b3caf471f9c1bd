"""The rules that a blanking must pass. The workflow asks them; it holds none itself.

 1. `open-job`: there is an open job.
 2. `authority`: it records how ownership was proven and who gave the written order.
 3. `vehicle-vin`: it records the VIN of the vehicle that the module is for.
 4. `module-kind`: neither job nor layout speaks of an airbag or immobiliser module.
 5. `donor-backup`: the image is backed up as this job's donor, and the stored copy has
    just been read back and hashed again, in this run.
 6. `reads-agree`: the backup's reads hold one image, or why there is a single one is on
    record.
 7. `sound-read`: no finding says that the read is certainly bad.
 8. `reviewed-layout`: a person has reviewed the layout; or there is none, and a VIN is
    named whose copies alone are blanked.
 9. `layout-fits`: the layout is for this chip, base and size, its VIN fields hold a VIN or
    are blank, and every checksum that is to be refreshed holds in the image as it is.
10. `other-vehicle`: no identity that goes is the job's own vehicle.
11. `protected-untouched`: no changed byte lies in a protected or module-identity region.
12. `only-planned`: no byte outside the plan changes.
13. `no-leftover`: no trace of an identity that goes stays outside the plan, unless chance
    explains it or a person keeps it with a reason.
14. `output-new`: the output does not exist yet.
15. `confirmed`: the person typed the confirmation.

There is no way around a rule: no function here takes a force option.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from memtool.core.backup import BackupReceipt, Role
from memtool.core.blanking import UNTOUCHED_KINDS, BlankPlan
from memtool.core.chip import is_same_chip
from memtool.core.finding import Check, Finding, Severity, Verdict
from memtool.core.identity.known_identity import IdentityMatch
from memtool.core.image import Image, find_changes
from memtool.core.job import NEVER_BLANKED, Job, KeptReads
from memtool.core.layouts.fields import FieldState
from memtool.core.layouts.layout import Layout, ModuleKind, decode_fields
from memtool.core.layouts.region import FieldType
from memtool.core.span import (
    Span,
    format_span,
    intersect_spans,
    subtract_spans,
)
from memtool.errors import RefusalError


@dataclass(frozen=True, slots=True, kw_only=True)
class BlankRequest:
    """Everything that the rules look at. None: not there."""

    image: Image
    """The donor's image as it was read from the file that the person named."""
    job: Job | None
    reads: KeptReads | None
    """The job's record of the donor backup that holds this image."""
    receipt: BackupReceipt | None
    layout: Layout | None
    vin: str | None
    """The VIN named where there is no layout."""
    plan: BlankPlan | None
    blanked: Image | None
    identities: tuple[str, ...]
    """The VINs that go."""
    leftovers: tuple[IdentityMatch, ...]
    """Traces of them in `blanked` that chance does not explain, kept spans left out."""
    health: tuple[Finding, ...]
    out_exists: bool
    confirmation: str | None
    """What the person typed; None: nobody was asked, as in a dry run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule of the gate."""

    number: int
    code: str
    decide: Callable[[BlankRequest], str | None]
    """Why the rule refuses, as a sentence without full stop; None: it allows."""
    allowed: str
    """What a passed rule says, with full stop."""
    next_step: str


def compute_confirmation(image: Image, identities: Sequence[str]) -> str:
    """What the person must type: the last six characters of the identity that goes.

    With none in the image, the first six digits of the image's digest.
    """
    return identities[0][-6:] if identities else image.sha256()[:6]


def check_blank(request: BlankRequest) -> tuple[Check, ...]:
    """What every rule says, in order."""
    checks: list[Check] = []
    for rule in RULES:
        refusal = rule.decide(request)
        checks.append(
            Check(
                code=rule.code,
                result=Verdict.PASS if refusal is None else Verdict.FAIL,
                text=rule.allowed if refusal is None else f"{refusal[:1].upper()}{refusal[1:]}.",
            )
        )
    return tuple(checks)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """A blanking that kept all rules: what may be written. Only `require_blank` makes one."""

    job: Job
    reads: KeptReads
    plan: BlankPlan
    blanked: Image


def require_blank(request: BlankRequest) -> Clearance:
    """Let a blanking pass that keeps all rules.

    Raises:
        RefusalError: the first broken rule, by its code; the sentence names the others.
    """
    broken = [(rule, refusal) for rule in RULES if (refusal := rule.decide(request))]
    if broken:
        rule, refusal = broken[0]
        others = ", ".join(other.code for other, _ in broken[1:])
        also = f"; also broken: {others}" if others else ""
        raise RefusalError(
            f"{refusal} (rule {rule.number}, {rule.code}{also})",
            code=rule.code,
            next_step=rule.next_step,
        )
    if not (request.job and request.reads and request.plan and request.blanked):
        raise ValueError("the rules passed a request that is not whole")
    return Clearance(
        job=request.job, reads=request.reads, plan=request.plan, blanked=request.blanked
    )


def check_written(
    plan: BlankPlan, before: Image, intended: Image, written: Image
) -> tuple[Check, ...]:
    """Whether the file on disk, read back, holds the planned image and nothing else."""
    same = written == intended
    outside = subtract_spans(find_changes(before, written), plan.spans)
    shape = before.spans == written.spans
    return (
        Check(
            code="written-equal",
            result=Verdict.PASS if same else Verdict.FAIL,
            text="The file, read back, is the planned image."
            if same
            else "The file, read back, is not the planned image.",
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


def _open_job(request: BlankRequest) -> str | None:
    return None if request.job else "there is no open job here"


def _authority(request: BlankRequest) -> str | None:
    if request.job and request.job.order.authority:
        return None
    return "the job does not record proof of ownership and the written order"


def _vehicle_vin(request: BlankRequest) -> str | None:
    if request.job and request.job.order.vehicle_vin:
        return None
    return "the job does not record the vehicle's VIN"


def _module_kind(request: BlankRequest) -> str | None:
    kind = request.job.order.module_kind if request.job else None
    if kind is None:
        return "the job does not record what kind of module this is"
    for asked in (kind, ModuleKind(request.layout.module) if request.layout else kind):
        if asked in NEVER_BLANKED:
            return f"{_with_article(asked)} module is never blanked"
    return None


def _with_article(kind: ModuleKind) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"


def _donor_backup(request: BlankRequest) -> str | None:
    if request.reads is None or request.reads.role is not Role.DONOR:
        return "this image is not backed up as the donor of this job"
    if request.receipt is None:
        return "the donor's backup was not verified in this run"
    if request.receipt.image_sha256 != request.image.sha256():
        return "the donor's backup holds another image"
    if request.receipt.entry.role is not Role.DONOR:
        return "the backup is not one of a donor"
    return None


def _reads_agree(request: BlankRequest) -> str | None:
    if request.receipt is None:
        return "without a backup nobody can say whether the reads agree"
    entry = request.receipt.entry
    if entry.agree is False:
        return "the donor's reads differ from each other"
    if entry.agree is None and not entry.single_read_reason:
        return "there is a single read of the donor, and no reason for that on record"
    return None


def _sound_read(request: BlankRequest) -> str | None:
    for finding in request.health:
        if finding.severity is Severity.FAILURE:
            return f"the read is bad: {finding.text.rstrip('.')}"
    return None


def _reviewed_layout(request: BlankRequest) -> str | None:
    if request.layout is None:
        return None if request.vin else "there is neither a layout nor a VIN to look for"
    return None if request.layout.reviewed else "nobody has reviewed the layout"


def _layout_fits(request: BlankRequest) -> str | None:
    layout = request.layout
    if layout is None:
        return None
    if request.image.spans != (layout.span,):
        held = ", ".join(map(format_span, request.image.spans)) or "nothing"
        return f"the layout describes {layout.span}, the image holds {held}"
    if request.reads and not is_same_chip(layout.chip, request.reads.chip):
        return f"the layout is for a {layout.chip}, the image is from a {request.reads.chip}"
    strange = [
        field.name
        for field in decode_fields(layout, request.image)
        if field.type is FieldType.VIN and field.state is FieldState.FAULTY
    ]
    if strange:
        return f"the layout says that a VIN lies where none is: {', '.join(strange)}"
    if request.plan and request.plan.unproven_checksums:
        names = ", ".join(request.plan.unproven_checksums)
        return f"a checksum to be refreshed is wrong already in the donor's image: {names}"
    return None


def _other_vehicle(request: BlankRequest) -> str | None:
    vin = request.job.order.vehicle_vin if request.job else None
    if vin in request.identities:
        return "the identity found is the job's own vehicle"
    return None


def _protected_untouched(request: BlankRequest) -> str | None:
    if request.layout is None or request.plan is None:
        return None
    held = [region.span for region in request.layout.regions_of(*UNTOUCHED_KINDS)]
    changed = list(request.plan.spans) + list(request.plan.asked)
    if request.blanked:
        changed += find_changes(request.image, request.blanked)
    touched = intersect_spans(changed, held)
    if not touched:
        return None
    return f"the plan touches a protected or module-identity region at {_listed(touched)}"


def _only_planned(request: BlankRequest) -> str | None:
    if request.plan is None or request.blanked is None:
        return "there is no plan"
    outside = subtract_spans(find_changes(request.image, request.blanked), request.plan.spans)
    if outside or request.blanked.spans != request.image.spans:
        return f"bytes outside the plan would change at {_listed(outside)}"
    return None


def _no_leftover(request: BlankRequest) -> str | None:
    if not request.leftovers:
        return None
    first = request.leftovers[0]
    return (
        f"a trace of the identity stays outside the plan at {first.span}"
        f" ({first.part}, stored as {first.stored_as})"
    )


def _output_new(request: BlankRequest) -> str | None:
    return "the output exists already" if request.out_exists else None


def _confirmed(request: BlankRequest) -> str | None:
    if request.confirmation is None:
        return None
    if request.confirmation == compute_confirmation(request.image, request.identities):
        return None
    return "what was typed is not the confirmation for this image"


def _listed(spans: Sequence[Span]) -> str:
    shown = ", ".join(map(format_span, spans[:3]))
    return shown if len(spans) <= 3 else f"{shown} and {len(spans) - 3} more places"


RULES = tuple(
    Rule(number=number, code=code, decide=decide, allowed=allowed, next_step=next_step)
    for number, (code, decide, allowed, next_step) in enumerate(
        (
            (
                "open-job",
                _open_job,
                "There is an open job.",
                "open one with 'benchimage start', or name its folder with --job",
            ),
            (
                "authority",
                _authority,
                "Proof of ownership and the written order are on record.",
                "record them with 'benchimage start --authority TEXT'",
            ),
            (
                "vehicle-vin",
                _vehicle_vin,
                "The vehicle's VIN is on record.",
                "record it with 'benchimage start --vehicle-vin VIN'",
            ),
            (
                "module-kind",
                _module_kind,
                "The module is neither an airbag nor an immobiliser module.",
                "leave airbag and immobiliser modules to the maker's procedure",
            ),
            (
                "donor-backup",
                _donor_backup,
                "The donor's backup was read back and hashed again in this run.",
                "back the donor's reads up with 'benchimage start --donor READ'",
            ),
            (
                "reads-agree",
                _reads_agree,
                "The donor's reads agree, or the single read's reason is on record.",
                "read the donor again and add the reads with 'benchimage start --donor READ'",
            ),
            (
                "sound-read",
                _sound_read,
                "No finding says that the read is certainly bad.",
                "mend the connection, read the donor again and back the new reads up",
            ),
            (
                "reviewed-layout",
                _reviewed_layout,
                "The layout is reviewed, or one VIN's copies alone are blanked.",
                "go through it with 'benchimage layout review FILE', or give --vin VIN alone",
            ),
            (
                "layout-fits",
                _layout_fits,
                "The layout fits the image.",
                "choose the layout of this module with --layout",
            ),
            (
                "other-vehicle",
                _other_vehicle,
                "The identity that goes is not the job's own vehicle.",
                "check that this is the donor and not the original",
            ),
            (
                "protected-untouched",
                _protected_untouched,
                "Protected and module-identity regions stay untouched.",
                "leave these spans out of --span and mend the layout",
            ),
            (
                "only-planned",
                _only_planned,
                "No byte outside the plan changes.",
                "report this: it must not happen",
            ),
            (
                "no-leftover",
                _no_leftover,
                "No unexplained trace of the identity stays.",
                "add it with --span SPAN, or keep it with --keep SPAN --reason TEXT",
            ),
            (
                "output-new",
                _output_new,
                "The output is new.",
                "choose another name with --out",
            ),
            (
                "confirmed",
                _confirmed,
                "The person confirmed, or was not asked.",
                "look at the image again and type what is asked for",
            ),
        ),
        start=1,
    )
)
