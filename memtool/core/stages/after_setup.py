"""Stage `after-setup`: does every VIN belong to the vehicle?

What a scan tool reported is marked as reported: it was not measured here.
"""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.finding import Check, Finding
from memtool.core.identity.known_identity import CHANCE_LIMIT, find_identity, find_vins
from memtool.core.identity.vin import mask_vin
from memtool.core.image import Image, find_changes
from memtool.core.job import StageCheck, StageVerdict
from memtool.core.layouts.layout import Layout, decode_fields
from memtool.core.layouts.region import FieldType, RegionKind
from memtool.core.span import intersect_spans
from memtool.core.stages.answers import (
    check_layout_checksums,
    failed,
    judge_health,
    not_checked,
    passed,
    spans_of_kinds,
    tell_by_region,
)

_NO_LAYOUT = "no layout says what lies where"
_NO_CODES = frozenset({"none", "no codes", "no code", "no faults", "0", "-"})


def check_finished(
    *,
    vehicle_vin: str,
    read: Image,
    donor: Image | None,
    original: Image | None,
    identities: Sequence[str],
    layout: Layout | None,
    health: Sequence[Finding] = (),
) -> tuple[Check, ...]:
    """Judge a read of the module after the maker's procedure configured it.

    Args:
        vehicle_vin: The VIN that every copy must hold.
        read: The module's content now.
        donor: The donor's backup: protected and module-identity regions must be its own.
        original: The original's backup, for its configuration; None where unreadable.
        identities: The VINs that were taken out.
        layout: None: regions and checksums are not checked, and said so.
        health: Findings about the read.
    """
    return (
        judge_health(health, "read"),
        _vins(read, vehicle_vin, layout),
        *(_gone(read, identity) for identity in identities),
        _configuration(read, original, layout),
        *(
            _untouched(kind, read, donor, layout)
            for kind in (RegionKind.PROTECTED, RegionKind.MODULE_IDENTITY)
        ),
        *check_layout_checksums(read, layout),
    )


def check_reported(
    *,
    vehicle_vin: str,
    vins: Sequence[str],
    codes: str | None,
    is_measured: bool,
    measured: StageCheck | None,
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
            checks.append(passed("reported-vin", f"Reported, not measured: {vin}."))
        else:
            text = f"A module reports {vin}, not the vehicle's VIN (reported, not measured)."
            checks.append(failed("reported-vin", text))
    if codes is not None:
        if codes.strip().lower().rstrip(".") in _NO_CODES:
            checks.append(passed("codes", "No codes, as reported by a scan tool."))
        else:
            text = f"Codes as reported by a scan tool: {codes.rstrip('.')}."
            checks.append(not_checked("codes", text, "a person judges them"))
    if not is_measured:
        checks.append(_measured(measured))
    return tuple(checks)


def _measured(earlier: StageCheck | None) -> Check:
    code = "measured"
    if earlier is None:
        text = "The module's memory after setup was not read."
        return not_checked(code, text, "values were reported, no read was given")
    text = f"A read after setup was judged in journal entry {earlier.number}: {earlier.verdict}."
    if earlier.verdict is StageVerdict.PASS:
        return passed(code, text)
    if earlier.verdict is StageVerdict.FAIL:
        return failed(code, text)
    return not_checked(code, text, "points of that check are open")


def _vins(read: Image, vehicle_vin: str, layout: Layout | None) -> Check:
    code = "vins"
    found = [(vin.text, vin.span) for vin in find_vins(read)]
    if layout is not None:
        fields = [
            field
            for field in decode_fields(layout, read)
            if field.kind is RegionKind.VEHICLE_IDENTITY and field.type is FieldType.VIN
        ]
        empty = [field for field in fields if field.value != vehicle_vin]
        if empty:
            names = ", ".join(f"'{field.name}'" for field in empty)
            text = f"These places do not hold the vehicle's VIN: {names}."
            return failed(code, text, [field.span for field in empty])
        found += [(str(field.value), field.span) for field in fields]
    foreign = sorted({(text, span) for text, span in found if text != vehicle_vin})
    if foreign:
        texts = ", ".join(sorted({mask_vin(text) for text, _ in foreign}))
        return failed(code, f"A foreign VIN was found: {texts}.", [span for _, span in foreign])
    if not found:
        return failed(code, "The vehicle's VIN was not found in the module.")
    places = len({span for _, span in found})
    return passed(code, f"The vehicle's VIN stands in {places} places, and no other.")


def _gone(read: Image, identity: str) -> Check:
    left = [
        match for match in find_identity(read, identity) if match.expected_by_chance < CHANCE_LIMIT
    ]
    shown = mask_vin(identity)
    if left:
        text = f"Traces of {shown} are in the module: {len(left)}."
        return failed("leftovers", text, [match.span for match in left])
    return passed("leftovers", f"No trace of {shown} is in the module.")


def _configuration(read: Image, original: Image | None, layout: Layout | None) -> Check:
    code, text = "configuration", "The configuration is compared with the original's."
    if layout is None:
        return not_checked(code, text, _NO_LAYOUT)
    if original is None:
        return not_checked(code, text, "there is no read of the original to compare with")
    spans = spans_of_kinds(layout, RegionKind.CONFIGURATION)
    if not spans:
        return passed(code, "The layout has no configuration region.")
    changed = intersect_spans(find_changes(original, read), spans)
    if changed:
        text = f"The configuration differs from the original's: {tell_by_region(changed, layout)}."
        return not_checked(code, text, "a person compares it with the vehicle's equipment", changed)
    return passed(code, "The configuration is the original's.")


def _untouched(kind: RegionKind, read: Image, donor: Image | None, layout: Layout | None) -> Check:
    code = f"{kind.value}-equal"
    text = f"The {kind.value} regions are compared with the donor's backup."
    if layout is None:
        return not_checked(code, text, _NO_LAYOUT)
    if donor is None:
        return not_checked(code, text, "there is no backup of the donor")
    changed = intersect_spans(find_changes(donor, read), spans_of_kinds(layout, kind))
    if not changed:
        return passed(code, f"The {kind.value} regions are as before.")
    return failed(code, f"The {kind.value} regions have changed.", changed)
