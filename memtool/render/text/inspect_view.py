"""What `inspect` shows: file, health, agreement, VINs, fields, checksums, map."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from memtool.core.finding import Finding, Severity, Verdict
from memtool.core.health.inspection import Inspection
from memtool.core.image import Image
from memtool.core.span import format_span
from memtool.core.words import count_of, listed, listed_spans
from memtool.render.json.as_json import document, finding_values, vin_values
from memtool.render.late import agreements, disagreements, stores
from memtool.render.text import terminal, terminal_map
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.values import (
    NO_BAD_SIGN,
    checksum_value,
    checksum_words,
    digest_words,
    field_value,
    field_words,
    name_words,
    reads_words,
    span_values,
)
from memtool.render.words import safe_text

if TYPE_CHECKING:
    from memtool.core.layouts.fields import DecodedField
    from memtool.core.records.store import RecordStore

_MOST_SHOWN = 3
"""VINs whose bytes are shown."""
NOT_JUDGED = "not-judged"
"""Code of the finding that says what could not be looked at."""


class ReadFacts(NamedTuple):
    """One file that was inspected."""

    path: str
    format: str
    file_sha256: str
    image: Image
    findings: tuple[Finding, ...]
    """What is safe but odd about the file."""


def render_inspect_answer(
    reads: Sequence[ReadFacts], inspection: Inspection, *, show_all: bool = False
) -> str:
    """Whether the reads are good, and what speaks against them: the first lines."""
    width = terminal.terminal_width()
    weighty = terminal.weighty(finding for _, finding in _said(reads, inspection))
    parts = [terminal.heading(_title(reads, inspection, weighty))]
    for names, finding in _said(reads, inspection):
        if finding in weighty and finding.severity is Severity.FAILURE:
            parts.append(_named_finding(names, finding, width))
    wrong = [each.name for each in inspection.checksums if each.result is Verdict.FAIL]
    if wrong:
        text = f"{count_of(len(wrong), 'checksum is', 'checksums are')} wrong: {listed(wrong)}"
        parts.append(terminal.labelled("failure", f"{text}.", width=width))
    for names, finding in _said(reads, inspection):
        if finding in weighty and finding.severity is Severity.WARNING:
            parts.append(_named_finding(names, finding, width))
    for names, finding in _said(reads, inspection):
        if finding.code == NOT_JUDGED:
            text = f"{names}: {finding.text}" if names else finding.text
            parts.append(terminal.labelled("not checked", text, width=width))
    parts.append(_passes(inspection, weighty, width, show_all=show_all))
    if inspection.agreement is not None and inspection.agreement.agree:
        parts.append(terminal.labelled("info", agreements.EQUAL_IS_NO_PROOF, width=width))
    return "\n".join(part for part in parts if part)


def _title(reads: Sequence[ReadFacts], inspection: Inspection, weighty: Sequence[Finding]) -> str:
    agreement = inspection.agreement
    if agreement is None:
        title = f"{safe_text(reads[0].path)}: {count_of(reads[0].image.size, 'byte')}"
    elif agreement.agree:
        title = f"{reads_words(len(reads), agree=True)} ({count_of(reads[0].image.size, 'byte')})"
    else:
        title = f"THE READS DIFFER in {count_of(agreement.differing_bytes, 'byte')}:"
        title += f" {listed_spans(agreement.spans, 4)}"
    if not weighty:
        return f"{title}; {NO_BAD_SIGN}"
    counts = Counter(finding.severity for finding in weighty)
    told = [
        count_of(counts[severity], severity.value)
        for severity in (Severity.FAILURE, Severity.WARNING)
        if counts[severity]
    ]
    return f"{title}; {', '.join(told)}"


def _said(reads: Sequence[ReadFacts], inspection: Inspection) -> list[tuple[str, Finding]]:
    """Each finding once, with the names of the files that it is about; none where it is all."""
    by_finding: dict[Finding, list[str]] = {}
    for read, health in zip(reads, inspection.health, strict=True):
        for finding in (*read.findings, *health.findings):
            by_finding.setdefault(finding, []).append(read.path)
    said = [
        ("" if len(paths) == len(reads) else ", ".join(paths), finding)
        for finding, paths in by_finding.items()
    ]
    agreement = inspection.agreement.findings if inspection.agreement else ()
    agreement = tuple(finding for finding in agreement if finding.code != "reads-agree")
    # That equal reads are equal is said by the title; only what it is worth is left to say.
    return [*(("", finding) for finding in (*agreement, *inspection.findings)), *said]


def _named_finding(names: str, finding: Finding, width: int) -> str:
    named = finding._replace(text=f"{names}: {finding.text}") if names else finding
    return terminal.findings([named], width=width, label_width=terminal.LABEL)


def _passes(
    inspection: Inspection, weighty: Sequence[Finding], width: int, *, show_all: bool
) -> str:
    """What was looked at and is good: how much, or what."""
    judged = list(dict.fromkeys(name for health in inspection.health for name in health.judged))
    good = [each.name for each in inspection.checksums if each.result is Verdict.PASS]
    parts = []
    if judged and not weighty:
        told = ", ".join(judged) if show_all else count_of(len(judged), "sign", "signs")
        parts.append(f"looked for {told} of a bad read and found none" if not show_all else told)
    if good:
        parts.append(
            f"checksums {', '.join(good)}"
            if show_all
            else f"{count_of(len(good), 'checksum')} of {len(inspection.checksums)} right"
        )
    if not parts:
        return ""
    ending = "" if show_all else " (--all lists them)"
    return terminal.labelled("pass", "; ".join(parts) + ending, width=width)


def render_inspection(
    reads: Sequence[ReadFacts], inspection: Inspection, *, layout_reason: str
) -> str:
    """The whole view: the answer, then what is in the image."""
    answer = render_inspect_answer(reads, inspection)
    return f"{answer}\n\n{render_content(reads, inspection, layout_reason=layout_reason)}"


def render_content(
    reads: Sequence[ReadFacts],
    inspection: Inspection,
    *,
    layout_reason: str,
    show_all: bool = False,
) -> str:
    """What is in the image: VINs, fields, checksums, map; then the files."""
    width = terminal.terminal_width()
    parts = [terminal.heading("VINs"), terminal.vins(inspection.vins, inspection.layout)]
    if inspection.layout is not None:
        parts += ["", terminal.heading("Fields"), _fields(inspection.fields)]
        parts += ["", terminal.heading("Checksums"), _checksums(inspection)]
    parts += ["", terminal.heading("Map")]
    parts.append(_map(reads[0].image, inspection, width, show_all=show_all))
    if inspection.record_stores:
        parts += ["", terminal.heading(stores.STORES_TITLE), _stores(inspection.record_stores)]
    infos = [
        (names, finding)
        for names, finding in _said(reads, inspection)
        if finding.severity is Severity.INFO and finding.code != NOT_JUDGED
    ]
    if infos:
        parts += ["", terminal.heading("Also")]
        parts += [_named_finding(names, finding, width) for names, finding in infos]
    parts += ["", terminal.heading("Files" if len(reads) > 1 else "File")]
    parts += _file_lines(reads, width)
    parts.append(terminal.labelled("layout", layout_reason, width=width, label_width=7))
    return "\n".join(parts)


def _file_lines(reads: Sequence[ReadFacts], width: int) -> list[str]:
    """Name, format and digest of each file; the digest of equal images once."""
    lines, told = [], ""
    for read in reads:
        image = read.image
        spans = ", ".join(format_span(span) for span in image.spans[:4])
        more = len(image.spans) - 4
        where = spans + (f" and {more} more segments" if more > 0 else "")
        text = f"{safe_text(read.path)}: {read.format}, {count_of(image.size, 'byte')}"
        lines.append(terminal.paragraph(f"{text} at {where or 'no address'}", width=width))
        digest = image.sha256()
        if digest != told:
            lines.append(
                terminal.labelled("sha256", digest_words(digest), width=width, label_width=7)
            )
        if read.file_sha256 != digest:
            shown = digest_words(read.file_sha256)
            lines.append(terminal.labelled("of file", shown, width=width, label_width=7))
        told = digest
    return lines


def _map(image: Image, inspection: Inspection, width: int, *, show_all: bool) -> str:
    """What lies where; with all also the bytes of the first VINs."""
    agreement = inspection.agreement
    drawn = terminal_map.render_map(
        image,
        layout=inspection.layout,
        vins=[vin.span for vin in inspection.vins],
        marked=agreement.spans if agreement else (),
        marks="the reads differ",
        stores=[store.rules.span for store in inspection.record_stores],
        width=width,
    )
    rows = [
        terminal_map.render_bytes(image, vin.span, layout=inspection.layout, width=width)
        for vin in inspection.vins[: _MOST_SHOWN if show_all else 0]
    ]
    return "\n\n".join([drawn, *rows])


def _fields(fields: Sequence[DecodedField]) -> str:
    rows = [
        [format_span(field.span), safe_text(field.name), name_words(field.kind), field_words(field)]
        for field in fields
    ]
    return terminal.table(rows) if rows else "  the layout names none"


def _checksums(inspection: Inspection) -> str:
    rows = [
        [
            safe_text(result.name),
            result.algorithm,
            checksum_words(result),
        ]
        for result in inspection.checksums
    ]
    return terminal.table(rows) if rows else "  the layout names none"


def _stores(found: Sequence[RecordStore]) -> str:
    rows = [list(stores.STORE_HEAD), *(list(stores.store_words(store)) for store in found)]
    return terminal.table(rows)


def next_of_inspection(inspection: Inspection, paths: Sequence[str], *, options: str) -> NextStep:
    """What to do next with reads that no job knows yet.

    Args:
        inspection: What was found.
        paths: The files, as they were typed.
        options: How they were read, as it was typed, for another command on them.
    """
    given = " ".join(map(quoted, paths))
    more = f" {options}" if options else ""
    agreement = inspection.agreement
    if agreement is not None and any(
        each.code == disagreements.TWO_MODULES for each in agreement.findings
    ):
        if len(paths) > 2:
            text = "sort the files by module, and look at the reads of one module"
            return NextStep(text=text, commands=(f"benchimage inspect READ READ{more}",))
        text = "see what is different in the two modules"
        return NextStep(text=text, commands=(f"benchimage compare {given}{more}",))
    if agreement is not None and not agreement.agree:
        return NextStep(
            text="fix the connection, read the chip again, and compare that read with these",
            commands=(f"benchimage inspect {given} READ{more}",),
        )
    if inspection.speaks_against:
        is_read = any(
            finding.severity is Severity.FAILURE
            for health in inspection.health
            for finding in health.findings
        )
        text = "fix the connection and read the chip again"
        if not is_read:
            text = "read the chip again, and see whether the layout is of this module"
        return NextStep(text=text, commands=(f"benchimage inspect READ{more}",))
    donors = " ".join(f"--donor {quoted(path)}" for path in paths)
    return NextStep(
        text="back the reads up and open a job; --original, not --donor, if the module failed",
        commands=(f"benchimage start --job DIR{more} {donors}",),
    )


def inspect_document(reads: Sequence[ReadFacts], inspection: Inspection) -> dict[str, Any]:
    """The view as the JSON document of ``benchimage inspect``."""
    agreement = inspection.agreement
    extra = agreement.findings if agreement else ()
    return document(
        "inspect",
        reads=[
            {
                "path": read.path,
                "format": read.format,
                "size": read.image.size,
                "file_sha256": read.file_sha256,
                "sha256": read.image.sha256(),
                "segments": span_values(read.image.spans),
                "findings": finding_values((*read.findings, *health.findings)),
            }
            for read, health in zip(reads, inspection.health, strict=True)
        ],
        agreement=None
        if agreement is None
        else {
            "agree": agreement.agree,
            "differing_bytes": agreement.differing_bytes,
            "spans": span_values(agreement.spans),
        },
        vins=vin_values(inspection.vins, inspection.layout),
        fields=[field_value(field) for field in inspection.fields],
        checksums=[checksum_value(result) for result in inspection.checksums],
        record_stores=[stores.store_value(store) for store in inspection.record_stores],
        findings=finding_values((*inspection.findings, *extra)),
    )
