"""Everything that can be said of one image, or of several reads of one chip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from memtool.core.checksums.checksum import ChecksumResult, check_checksum
from memtool.core.chip import Chip
from memtool.core.finding import Finding, Severity, Verdict
from memtool.core.health.all_checks import find_health
from memtool.core.identity.known_identity import VinFinding, find_vins
from memtool.core.image import Image
from memtool.core.layouts.fields import DecodedField
from memtool.core.layouts.layout import Layout, decode_fields, find_copy_faults
from memtool.core.reads.agreement import Agreement, compare_reads


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """What was found. With several reads the identity and the layout speak of the first."""

    health: tuple[tuple[Finding, ...], ...]
    """One tuple a read, in the order given."""
    agreement: Agreement | None
    """None for a single read."""
    vins: tuple[VinFinding, ...]
    fields: tuple[DecodedField, ...]
    checksums: tuple[ChecksumResult, ...]
    findings: tuple[Finding, ...]
    """What is about the files together, and about the layout's copies."""
    layout: Layout | None

    @property
    def speaks_against(self) -> bool:
        """A failure, reads that disagree, or a checksum that is wrong."""
        return (
            any(
                finding.severity is Severity.FAILURE
                for findings in (*self.health, self.findings)
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
    deep: bool = False,
    about_files: Sequence[Finding] = (),
) -> Inspection:
    """Look at the reads of one chip.

    Args:
        images: At least one; several are reads of one chip.
        chip: The memory they came from, where it is known.
        layout: What lies where, where it is known.
        deep: Search the stored forms, too, that chance can make.
        about_files: Findings about the files that the images came from, all together.

    Raises:
        ValueError: no image was given.
    """
    if not images:
        raise ValueError("there is nothing to inspect")
    first = images[0]
    return Inspection(
        health=tuple(find_health(image, chip=chip, layout=layout) for image in images),
        agreement=compare_reads(images) if len(images) > 1 else None,
        vins=find_vins(first, deep=deep),
        fields=decode_fields(layout, first) if layout else (),
        checksums=tuple(check_checksum(first, rule) for rule in layout.checksums) if layout else (),
        findings=(*about_files, *(find_copy_faults(layout, first) if layout else ())),
        layout=layout,
    )
