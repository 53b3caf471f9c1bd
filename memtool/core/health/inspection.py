"""Everything that can be said of one image, or of several reads of one chip."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.chip import Chip
from memtool.core.finding import Finding, Severity, Verdict
from memtool.core.health.all_checks import Health, judge_health
from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.texts.vin_search import VinFinding, find_vins
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.core.checksums import checksum
    from memtool.core.checksums.checksum import ChecksumResult
    from memtool.core.health import agreement as agreements
    from memtool.core.health.agreement import Agreement
    from memtool.core.layouts import layout as layouts
    from memtool.core.layouts.fields import DecodedField
    from memtool.core.layouts.layout import Layout
    from memtool.core.records import finding as record_finding
    from memtool.core.records import placing, values
    from memtool.core.records.store import RecordStore
else:
    agreements = late_module("memtool.core.health.agreement")
    checksum = late_module("memtool.core.checksums.checksum")
    layouts = late_module("memtool.core.layouts.layout")
    record_finding = late_module("memtool.core.records.finding")
    placing = late_module("memtool.core.records.placing")
    values = late_module("memtool.core.records.values")


class Inspection(NamedTuple):
    """What was found. With several reads the identity and the layout speak of the first."""

    health: tuple[Health, ...]
    """One a read, in the order given."""
    agreement: Agreement | None
    """None for a single read."""
    vins: tuple[VinFinding, ...]
    fields: tuple[DecodedField, ...]
    checksums: tuple[ChecksumResult, ...]
    findings: tuple[Finding, ...]
    """What is about the files together, and about the layout's copies."""
    layout: Layout | None
    """The one to show by."""
    record_stores: tuple[RecordStore, ...]
    """Stores of records: those that the layout describes, else those that were found."""

    @property
    def speaks_against(self) -> bool:
        """A failure, reads that disagree, or a checksum that is wrong."""
        return (
            any(
                finding.severity is Severity.FAILURE
                for findings in (*(health.findings for health in self.health), self.findings)
                for finding in findings
            )
            or (self.agreement is not None and not self.agreement.agree)
            or any(result.result is Verdict.FAIL for result in self.checksums)
        )


def inspect_images(
    images: Sequence[Image],
    *,
    chip: Chip | None,
    layout: Layout | None,
    shown: Layout | None = None,
    deep: bool = False,
    claimed_new: bool = False,
    in_records: Sequence[bool] = (),
    about_files: Sequence[Finding] = (),
) -> Inspection:
    """Look at the reads of one chip.

    Args:
        images: At least one; several are reads of one chip.
        chip: The memory they came from, where it is known.
        layout: What lies where, where it is known.
        shown: The same with everything protected that must not be shown; `layout` if left out.
        deep: Search the stored forms, too, that chance can make.
        claimed_new: The module is said to have never been configured.
        in_records: Of each image whether it came as a hex file whose records hold; none did
            if left out.
        about_files: Findings about the files that the images came from, all together.

    Raises:
        ValueError: no image was given.
    """
    if not images:
        raise ValueError("there is nothing to inspect")
    first = images[0]
    if layout is not None:
        layout = placing.place_in_all(layout, images)
    shown = layout if shown is None else placing.place_in_all(shown, images)
    protected = () if shown is None else shown.regions_of(RegionKind.PROTECTED)
    hidden = [region.span for region in protected]
    return Inspection(
        health=tuple(
            judge_health(
                image,
                chip=chip,
                layout=layout,
                hidden=hidden,
                claimed_new=claimed_new,
                in_records=whole,
                alone=len(images) == 1,
            )
            for image, whole in zip(images, in_records or [False] * len(images), strict=True)
        ),
        agreement=agreements.compare_reads(images) if len(images) > 1 else None,
        vins=find_vins(first, deep=deep),
        fields=values.decode_placed(shown, first) if shown else (),
        checksums=tuple(checksum.check_checksum(first, rule) for rule in shown.checksums)
        if shown
        else (),
        findings=(*about_files, *(layouts.find_copy_faults(layout, first) if layout else ())),
        layout=shown,
        record_stores=find_record_stores(layout, images),
    )


def find_record_stores(layout: Layout | None, images: Sequence[Image]) -> tuple[RecordStore, ...]:
    """Stores of records in the first image: the layout's, or what is found without one."""
    if layout is not None and layout.records:
        return placing.read_stores(layout, images[0])
    if layout is not None:
        # A layout that speaks of no store was drawn by someone who saw none.
        return ()
    return tuple(found.store for found in record_finding.find_stores(images))
