"""Whose module is it? Slips that change roles, told as soon as the images are there.

1. `donor-is-vehicles`: the donor holds the vehicle's own VIN and no other: whole, or a part
   beyond chance in which the two vehicles differ. Blanking refuses it.
2. `same-image`: both roles hold the same image of a memory that holds identity. Blanking
   refuses it.
3. `two-modules`: the reads of one role hold different VINs.
4. `two-serials`: reads of one role hold different numbers where a module keeps its own. Counters
   kept as text look so, too. A person decides.
5. `copied-read`: two reads have equal bytes and equal time, as a copied file has.
6. `stranger-beside`: a stranger's VIN stands in the donor beside the vehicle's, as after a
   setup that was broken off. A person decides.

Short traces alone (five characters, BCD, integers, keyed text) never refuse an input: they
are what chance and other data look like.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from itertools import combinations, islice

from memtool.core.finding import Check, Finding, Severity, Verdict
from memtool.core.health.texts import TextKind, find_texts
from memtool.core.image import Image
from memtool.core.job.leftovers import is_telling
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.core.texts.different_vins import find_different_vins
from memtool.core.texts.known_identity import (
    Coding,
    IdentityMatch,
    Part,
    find_identity,
    find_vins,
)
from memtool.core.texts.vin import mask_vin

_TAILS = {Part.LAST_8: 8, Part.LAST_6: 6}
_KEYED = ("xor-", "added-")
_NUMBERS = {TextKind.SERIAL_NUMBER, TextKind.PART_OR_SERIAL}
_DIFFERENT_CHARACTERS = 3


class Owner(Enum):
    """Whose identity a donor's image holds."""

    UNKNOWN = auto()
    """Nothing of the job's own vehicle."""
    VEHICLE = auto()
    """The job's own vehicle, and nobody else."""
    BOTH = auto()
    """The job's own vehicle beside a stranger."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OneRead:
    """One read of a memory, as far as it tells which module it came from."""

    role: Role
    image: Image
    name: str
    """Of its file, for people."""
    modified: int | None = None
    """When the file was changed last, in nanoseconds; None: not known."""


def find_owner(image: Image, vehicle_vin: str) -> Owner:
    """Whose identity the donor's image holds."""
    matches = [match for match in find_identity(image, vehicle_vin) if is_telling(match)]
    if not matches:
        return Owner.UNKNOWN
    whole = [match for match in matches if match.part is Part.WHOLE]
    others = {
        vin.text
        for vin in find_vins(image)
        if vin.text != vehicle_vin and not _overlaps(vin.pieces, whole)
    }
    if not whole and not any(_tells(match, vehicle_vin, others) for match in matches):
        return Owner.UNKNOWN
    return Owner.BOTH if others else Owner.VEHICLE


def holds_identity(image: Image, vins: Sequence[str]) -> bool:
    """Whether the image holds any VIN, or a trace of one of these that chance does not make."""
    return bool(find_vins(image)) or any(
        is_telling(match) for vin in vins for match in find_identity(image, vin)
    )


def find_whose(reads: Sequence[OneRead], *, vehicle_vin: str | None) -> tuple[Finding, ...]:
    """Every slip of roles in the reads of one memory, the gravest first.

    Args:
        reads: All of them, of every role; a withdrawn one is left out.
        vehicle_vin: The order's, where it is known.
    """
    by_role: dict[Role, list[OneRead]] = {}
    for read in reads:
        by_role.setdefault(read.role, []).append(read)
    found = [
        *_donor_findings(by_role, vehicle_vin),
        *_two_roles(by_role, vehicle_vin),
        *_two_modules(by_role),
        *_two_serials(by_role),
        *_copies(reads),
    ]
    return tuple(sorted(found, key=lambda finding: finding.severity is not Severity.FAILURE))


def check_whose(reads: Sequence[OneRead], *, vehicle_vin: str | None) -> tuple[Check, ...]:
    """The findings as checks of a stage: failures fail, the others are left to a person."""
    findings = find_whose(reads, vehicle_vin=vehicle_vin)
    return tuple(
        Check(
            code=finding.code,
            result=Verdict.FAIL if finding.severity is Severity.FAILURE else Verdict.DECIDE,
            text=finding.text,
            spans=finding.spans,
        )
        for finding in findings
    )


def _donor_findings(
    by_role: Mapping[Role, Sequence[OneRead]], vehicle_vin: str | None
) -> list[Finding]:
    donors = by_role.get(Role.DONOR, ())
    if vehicle_vin is None or not donors:
        return []
    match find_owner(donors[-1].image, vehicle_vin):
        case Owner.VEHICLE:
            text = (
                "The donor holds this vehicle's VIN and no other: this looks like the original. "
                "Check which module is which and open a new job with the"
                " reads in their right roles."
            )
            return [Finding(code="donor-is-vehicles", severity=Severity.FAILURE, text=text)]
        case Owner.BOTH:
            text = (
                "The donor holds this vehicle's VIN and another vehicle's, as after an "
                "interrupted setup. Check that this is the donor."
            )
            return [Finding(code="stranger-beside", severity=Severity.WARNING, text=text)]
        case _:
            return []


def _two_roles(by_role: Mapping[Role, Sequence[OneRead]], vehicle_vin: str | None) -> list[Finding]:
    for first, second in combinations(by_role, 2):
        pairs = ((a, b) for a in by_role[first] for b in by_role[second] if a.image == b.image)
        same = next(pairs, None)
        vins = [vehicle_vin] if vehicle_vin else []
        if same is None or not holds_identity(same[0].image, vins):
            continue
        text = (
            f"'{same[0].name}' as {first.value} and '{same[1].name}' as {second.value} hold the"
            " same bytes, with an identity in them: one module was given for both. Read the"
            " other module."
        )
        return [Finding(code="same-image", severity=Severity.FAILURE, text=text)]
    return []


def _two_modules(by_role: Mapping[Role, Sequence[OneRead]]) -> list[Finding]:
    found = []
    for role, reads in by_role.items():
        different = find_different_vins([read.image for read in reads])
        if different is None:
            continue
        first, second = map(mask_vin, different)
        text = (
            f"The reads of the {role.value} hold different VINs ({first} and {second}): they"
            " are of two modules. Give the reads of one module only."
        )
        found.append(Finding(code="two-modules", severity=Severity.FAILURE, text=text))
    return found


def _two_serials(by_role: Mapping[Role, Sequence[OneRead]]) -> list[Finding]:
    found = []
    for role, reads in by_role.items():
        different = (
            (first, second, span)
            for first, second in combinations(reads, 2)
            if first.image != second.image
            for span in _different_numbers(first.image, second.image)
        )
        # The first tells enough. The numbers themselves are not told: no layout has said yet that
        # they may be shown.
        for first, second, span in islice(different, 1):
            text = (
                f"'{first.name}' and '{second.name}', reads of the {role.value}, hold different"
                " numbers where a module keeps its serial number. Check that both are reads of"
                " one module."
            )
            found.append(
                Finding(code="two-serials", severity=Severity.WARNING, text=text, spans=(span,))
            )
    return found


def _different_numbers(first: Image, second: Image) -> Iterator[Span]:
    """Where both hold a number of one shape, letter for letter and digit for digit, that differs
    in more characters than a flaw of a read makes."""
    theirs = {text.span: text for text in find_texts(second)}
    for ours in find_texts(first):
        other = theirs.get(ours.span)
        if other is None or not {ours.kind, other.kind} <= _NUMBERS:
            continue
        pairs = list(zip(ours.text, other.text, strict=True))
        if all(a.isdigit() == b.isdigit() and a.isalpha() == b.isalpha() for a, b in pairs) and (
            sum(a != b for a, b in pairs) >= _DIFFERENT_CHARACTERS
        ):
            yield ours.span


def _copies(reads: Sequence[OneRead]) -> list[Finding]:
    for first, second in combinations(reads, 2):
        if first.role is not second.role or first.modified is None:
            continue
        if first.modified == second.modified and first.image == second.image:
            text = (
                f"'{first.name}' and '{second.name}' hold the same bytes and have the same"
                " time, as a copied file has. Read the module once more if it was read once."
            )
            return [Finding(code="copied-read", severity=Severity.WARNING, text=text)]
    return []


def _tells(match: IdentityMatch, vehicle_vin: str, others: set[str]) -> bool:
    """Whether a part of the vehicle's VIN says that it is this vehicle and no other."""
    size = _TAILS.get(match.part)
    if size is None or match.coding is not Coding.TEXT:
        return False
    if any(step.startswith(_KEYED) for step in match.stored_as.split("+")):
        return False
    return all(other[-size:] != vehicle_vin[-size:] for other in others)


def _overlaps(pieces: Sequence[Span], whole: Sequence[IdentityMatch]) -> bool:
    taken = [piece for match in whole for piece in match.pieces]
    return any(piece.overlaps(other) for piece in pieces for other in taken)
