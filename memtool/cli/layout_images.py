"""What `layout check` and `layout show` share: an image beside a layout."""

from __future__ import annotations

from typing import Any

from memtool.core.checksums.checksum import ChecksumResult
from memtool.core.layouts.layout import DecodedField
from memtool.core.layouts.layout_fit import LayoutFit
from memtool.render.values import checksum_value, field_value


def speaks_against(fit: LayoutFit) -> bool:
    """Whether exit status 1 is due: no fit, a wrong checksum, a faulty field or copy."""
    return (
        not fit.fits or fit.checksums_wrong > 0 or fit.fields_faulty > 0 or len(fit.copy_faults) > 0
    )


def checksum_values(results: tuple[ChecksumResult, ...]) -> list[dict[str, Any]]:
    """Checksums as JSON."""
    return [checksum_value(result) | {"reason": result.reason} for result in results]


def field_values(fields: tuple[DecodedField, ...]) -> list[dict[str, Any]]:
    """Fields as JSON; named bits are a list of names and numbers."""
    return [
        field_value(field) | {"state": field.state.value, "reason": field.reason}
        for field in fields
    ]
