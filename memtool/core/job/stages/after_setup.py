"""Stage `after-setup`: does every VIN belong to the vehicle?

What a scan tool reported is marked as reported: it was not measured here.
"""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.finding import Check, Finding
from memtool.core.image import Image
from memtool.core.job.events.kinds import StageChecked
from memtool.core.job.leftovers import find_telling, find_traces
from memtool.core.job.stage import StageVerdict
from memtool.core.job.stages.accounting import account_for_changes
from memtool.core.job.stages.answers import (
    check_layout_checksums,
    failed,
    find_differing,
    judge_foreign_vins,
    judge_health,
    not_checked,
    passed,
    undecided,
)
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import FieldType, RegionKind
from memtool.core.records.placing import place_known
from memtool.core.records.values import decode_placed
from memtool.core.span import Span
from memtool.core.texts.known_identity import find_vins
from memtool.core.texts.vin import mask_vin
from memtool.core.words import count_of

_NO_LAYOUT = "no layout says what is where"
_NO_CODES = frozenset({"none", "no codes", "no code", "no faults", "0", "-"})


def check_finished(
    *,
    vehicle_vin: str,
    read: Image,
    before: Image | None,
    original: Image | None,
    identities: Sequence[str],
    layout: Layout | None,
    health: Sequence[Finding] = (),
    kept: Sequence[Span] = (),
) -> tuple[Check, ...]:
    """Judge a read of the module after the maker's procedure configured it.

    Args:
        vehicle_vin: The VIN that every copy must hold.
        read: The module's content now.
        before: What was written to the module; where nothing was, the donor's backup.
        original: The original's backup, for its configuration; None where unreadable.
        identities: The VINs that were taken out.
        layout: None: regions and checksums are not checked, and said so.
        health: Findings about the read.
        kept: Spans that a person kept from being blanked; what they hold is a leftover.
    """
    return (
        judge_health(health, "read"),
        _vins(read, vehicle_vin, layout),
        *(_gone(read, identity, kept) for identity in identities),
        *_configuration(read, original, layout),
        *account_for_changes(read, before, layout, [vin.span for vin in find_vins(read)]),
        *check_layout_checksums(read, place_known(layout, read)),
    )


def check_reported(
    *,
    vehicle_vin: str,
    vins: Sequence[str],
    codes: str | None,
    is_measured: bool,
    measured: StageChecked | None,
) -> tuple[Check, ...]:
    """Judge what a scan tool reported.

    Args:
        vehicle_vin: The VIN that every reported one must be.
        vins: As typed.
        codes: Diagnostic codes as typed; None: not reported.
        is_measured: Whether a read is judged beside it.
        measured: An earlier check of this stage that had a read.
    """
    checks: list[Check] = []
    for vin in vins:
        if vin == vehicle_vin:
            checks.append(passed("reported-vin", f"{vin}, reported by a scan tool, not measured."))
        else:
            text = f"A module reports {vin}, not the vehicle's VIN (reported, not measured)."
            checks.append(failed("reported-vin", text))
    if codes is not None:
        if codes.strip().lower().rstrip(".") in _NO_CODES:
            checks.append(passed("codes", "A scan tool reports no codes."))
        else:
            text = f"Codes reported by a scan tool: {codes.rstrip('.')}."
            checks.append(undecided("codes", text))
    if not is_measured:
        checks.append(_measured(measured))
    return tuple(checks)


def _measured(earlier: StageChecked | None) -> Check:
    code = "measured"
    if earlier is None:
        text = "The module's memory was not read after setup."
        return not_checked(code, text, "values were reported, no read was given")
    text = f"A read after setup was checked in journal entry {earlier.number} ({earlier.verdict})."
    if earlier.verdict is StageVerdict.PASS:
        return passed(code, text)
    if earlier.verdict is StageVerdict.FAIL:
        return failed(code, text)
    return not_checked(code, text, "some points of that check are open")


def _vins(read: Image, vehicle_vin: str, layout: Layout | None) -> Check:
    code = "vins"
    told = find_vins(read)
    settled: list[Span] = []
    if layout is not None:
        fields = [
            field
            for field in decode_placed(layout, read)
            if field.kind is RegionKind.VEHICLE_IDENTITY and field.type is FieldType.VIN
        ]
        empty = [field for field in fields if field.value != vehicle_vin]
        if empty:
            names = ", ".join(f"'{field.name}'" for field in empty)
            text = f"The vehicle's VIN is missing from these places: {names}."
            return failed(code, text, [field.span for field in empty])
        settled = [field.span for field in fields]
    # Where the layout says that the vehicle's VIN lies, text beside it leaves no doubt.
    others = [
        vin
        for vin in told
        if vehicle_vin not in vin.texts or not any(map(vin.span.overlaps, settled))
    ]
    texts = ", ".join(sorted({mask_vin(v.text) for v in others if vehicle_vin not in v.texts}))
    foreign = judge_foreign_vins(code, f"A foreign VIN was found: {texts}.", others, vehicle_vin)
    if foreign is not None:
        return foreign
    if not others and not settled:
        return failed(code, "The vehicle's VIN was not found in the module.")
    places = len({*settled, *(vin.span for vin in others)})
    where = count_of(places, "place")
    return passed(code, f"The vehicle's VIN is in {where}; no other VIN was found.")


def _gone(read: Image, identity: str, kept: Sequence[Span]) -> Check:
    telling = find_telling(find_traces(read, [identity]))
    left = [match for match in telling if not any(span.contains(match.span) for span in kept)]
    shown = mask_vin(identity)
    if telling and not left:
        text = f"Kept spans still hold {count_of(len(telling), 'trace')} of {shown}."
        return undecided("leftovers", text, [match.span for match in telling])
    if left:
        text = f"Old VIN still found: {count_of(len(left), 'trace')} of {shown} in the module."
        return failed("leftovers", text, [match.span for match in left])
    return passed("leftovers", f"No trace of {shown} was found in the module.")


def _configuration(read: Image, original: Image | None, layout: Layout | None) -> tuple[Check, ...]:
    """Whether it is the original's; no answer where the layout has none to look at."""
    code, text = "configuration", "The configuration was not compared with the original's."
    if layout is None:
        return (not_checked(code, text, _NO_LAYOUT),)
    if original is None:
        reason = "there is no read of the original to compare with"
        return (not_checked(code, text, reason),)
    differing = find_differing(RegionKind.CONFIGURATION, original, read, layout)
    if differing is None:
        return ()
    where, spans = differing
    if where:
        text = f"The configuration differs from the original's: {where}."
        text += " Compare it with the vehicle's equipment."
        return (undecided(code, text, spans),)
    return (passed(code, "The configuration is the original's."),)
