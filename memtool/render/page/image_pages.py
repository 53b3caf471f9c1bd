"""`inspect` and `compare` as pages: what is said beside the map and the bytes."""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.comparing.difference import Difference, DifferingRun
from memtool.core.finding import Finding, Verdict
from memtool.core.health.agreement import Agreement
from memtool.core.health.inspection import Inspection
from memtool.core.image import Image
from memtool.core.layouts.fields import DecodedField
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.memory_map import (
    MapPlan,
    MemoryMap,
    compute_entropy,
    compute_map,
    compute_marks,
    plan_map,
)
from memtool.core.runs import find_changes
from memtool.core.span import Span, format_address, intersect_spans
from memtool.core.words import count_of
from memtool.render.page import picture
from memtool.render.page.blocks import Cell, Figure, Look, code, result_cell
from memtool.render.page.byte_page import (
    BytePage,
    PlacedList,
    PlacedRow,
    ShownImage,
    render_byte_page,
)
from memtool.render.page.store_lists import describe_stores
from memtool.render.text.difference_text import count_words
from memtool.render.text.inspect_view import ReadFacts
from memtool.render.values import (
    NO_BAD_SIGN,
    bytes_words,
    digest_words,
    field_words,
    name_words,
    reads_words,
    short_bytes_words,
)

COLUMNS = 32
MOST_ROWS = 16
MOST_READS = 4
"""Reads whose bytes are shown beside each other where they differ."""
MOST_LISTED = 400
"""Rows of one list; the bytes themselves are all there."""


def render_inspect_page(
    reads: Sequence[ReadFacts], inspection: Inspection, *, layout_reason: str
) -> str:
    """One image, or several reads of one chip, as a page."""
    agreement = inspection.agreement
    differ = agreement is not None and not agreement.agree
    shown = reads[: MOST_READS if differ else 1]
    spans = agreement.spans if agreement else ()
    first = reads[0].image
    plan = plan_map(first.spans, columns=COLUMNS, most_rows=MOST_ROWS)
    drawn = compute_map(
        first,
        plan,
        layout=inspection.layout,
        vins=[vin.span for vin in inspection.vins],
        marked=spans,
        stores=[store.rules.span for store in inspection.record_stores],
    )
    marks = "differs between the reads" if agreement else ""
    svg = picture.memory_map(drawn, title="Memory map", name="map", marks=marks)
    maps = [Figure(svg, "The first read" if len(reads) > 1 else reads[0].path)]
    strips = [
        _information(first, plan, "information", _INFORMATION),
    ]
    if spans:
        strip = picture.agreement_strip(
            compute_marks(plan, spans),
            title="Agreement of the reads",
            name="agreement",
            reads=len(reads),
            places=len(spans),
        )
        strips.append(Figure(strip, "A bar where the reads differ"))
    labels = [f"read {number}" if len(shown) > 1 else "" for number in range(1, len(shown) + 1)]
    return render_byte_page(
        BytePage(
            title="Memory image" if len(reads) == 1 else f"{len(reads)} reads of one memory",
            answer=_inspect_answer(reads, inspection),
            images=[_shown(label, read) for label, read in zip(labels, shown, strict=True)],
            layout=inspection.layout,
            layout_words=layout_reason,
            marks=marks,
            marked=_protected_parts(spans, inspection.layout),
            identity=[vin.span for vin in inspection.vins],
            maps=maps,
            strips=strips,
            key=picture.map_key(drawn, marks=marks),
            lists=_inspect_lists(reads, inspection),
        )
    )


def _inspect_answer(reads: Sequence[ReadFacts], inspection: Inspection) -> str:
    found = list(inspection.findings)
    found += [finding for health in inspection.health for finding in health.findings]
    found += [finding for read in reads for finding in read.findings]
    failures = sum(finding.severity.value == "failure" for finding in found)
    warnings = sum(finding.severity.value == "warning" for finding in found)
    wrong = sum(result.result is Verdict.FAIL for result in inspection.checksums)
    parts = []
    if inspection.agreement is not None:
        parts.append(reads_words(len(reads), agree=inspection.agreement.agree))
    if failures or warnings:
        parts.append(f"{count_of(failures, 'failure')} and {count_of(warnings, 'warning')}")
    else:
        parts.append(NO_BAD_SIGN)
    parts.append(f"{count_of(len(inspection.vins), 'VIN')} found")
    if wrong:
        parts.append(f"{count_of(wrong, 'checksum')} wrong")
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def _inspect_lists(reads: Sequence[ReadFacts], inspection: Inspection) -> list[PlacedList]:
    lists = []
    for read, health in zip(reads, inspection.health, strict=True):
        extra = f": {read.path}" if len(reads) > 1 else ""
        lists.append(_findings(f"Findings{extra}", (*read.findings, *health.findings)))
    if inspection.agreement is not None:
        lists.append(_agreement(inspection.agreement, len(reads)))
    lists.append(
        PlacedList(
            title="VINs",
            head=("text", "stored as", "check digit"),
            rows=[
                PlacedRow(
                    span=each.span,
                    cells=(
                        code(each.text),
                        Cell(each.stored_as),
                        Cell(
                            name_words(vin.check_digit)
                            if number == 0
                            else "another reading of the one above"
                        ),
                    ),
                )
                for vin in inspection.vins
                for number, each in enumerate(vin.all_readings)
            ],
            empty="None was found.",
        )
    )
    if inspection.record_stores:
        lists += describe_stores(inspection.record_stores)
    if inspection.layout is not None:
        lists += [_fields(inspection.fields), _checksums(inspection)]
        if inspection.findings:
            lists.append(_findings("Copies", inspection.findings))
    return lists


def _findings(title: str, findings: Sequence[Finding]) -> PlacedList:
    rows = []
    for finding in findings:
        look = Look.PLAIN if finding.severity.value == "info" else Look.STRONG
        span = finding.spans[0] if finding.spans else None
        cells = (Cell(finding.severity.value, look), Cell(finding.text))
        rows.append(PlacedRow(span=span, cells=cells))
    return PlacedList(title=title, head=("weight", "what was found"), rows=rows, empty="None.")


def _agreement(agreement: Agreement, reads: int) -> PlacedList:
    listed = _findings("Agreement of the reads", agreement.findings)
    places = [
        PlacedRow(span=span, cells=(Cell("differs"), Cell(count_of(len(span), "byte"))))
        for span in agreement.spans[:MOST_LISTED]
    ]
    return PlacedList(
        title=listed.title,
        head=listed.head,
        rows=[*listed.rows, *places],
        empty=f"{reads_words(reads, agree=True)}.",
        more=_more(len(agreement.spans)),
    )


def _fields(fields: Sequence[DecodedField]) -> PlacedList:
    return PlacedList(
        title="Fields",
        head=("name", "kind", "value"),
        rows=[
            PlacedRow(
                span=field.span,
                cells=(Cell(field.name), Cell(_kind_words(field.kind)), Cell(field_words(field))),
            )
            for field in fields
        ],
        empty="The layout names none.",
    )


def _checksums(inspection: Inspection) -> PlacedList:
    layout = inspection.layout
    stored = {rule.name: rule.stored for rule in layout.checksums} if layout else {}
    rows = [
        PlacedRow(
            span=stored.get(result.name),
            cells=(
                Cell(result.name),
                Cell(result.algorithm),
                code(bytes_words(result.stored)),
                code(bytes_words(result.computed)),
                result_cell(result.result),
            ),
        )
        for result in inspection.checksums
    ]
    head = ("name", "algorithm", "stored", "computed", "result")
    return PlacedList(title="Checksums", head=head, rows=rows, empty="The layout names none.")


def render_compare_page(
    a: ReadFacts,
    b: ReadFacts,
    difference: Difference,
    *,
    layout: Layout | None,
    layout_reason: str,
    vins: tuple[Sequence[Span], Sequence[Span]] = ((), ()),
) -> str:
    """Two images beside each other as a page.

    Args:
        a: The first image.
        b: The second image.
        difference: What differs.
        layout: Names regions and fields.
        layout_reason: Why this layout, or why none.
        vins: Where VINs are in each.
    """
    changes = find_changes(a.image, b.image)
    alone = (*difference.only_in_a, *difference.only_in_b)
    plan = plan_map((*a.image.spans, *b.image.spans), columns=COLUMNS, most_rows=MOST_ROWS)
    marks = "differs"
    maps, figures = [], []
    for label, read, found in zip("AB", (a, b), vins, strict=True):
        drawn, figure = _compared_map(label, read, plan, layout, found, (*changes, *alone))
        maps.append(drawn)
        figures.append(figure)
    strips = []
    if not difference.equal:
        strip = picture.difference_strip(
            compute_marks(plan, (*changes, *alone)),
            title="Where the images differ",
            name="difference",
            words=count_words(difference),
        )
        strips.append(Figure(strip, "A bar where A and B differ"))
    strips += [
        _information(image, plan, f"information-{label}", f"{label.upper()}: {_INFORMATION}")
        for label, image in (("a", a.image), ("b", b.image))
    ]
    return render_byte_page(
        BytePage(
            title="Two memory images compared",
            answer=count_words(difference),
            images=[_shown("A", a), _shown("B", b)],
            layout=layout,
            layout_words=layout_reason,
            marks=marks,
            marked=_protected_parts(changes, layout),
            identity=[span for found in vins for span in found],
            maps=figures,
            strips=strips,
            key=picture.map_key(*maps, marks=marks),
            lists=_compare_lists(difference, layout),
        )
    )


def _compared_map(
    label: str,
    read: ReadFacts,
    plan: MapPlan,
    layout: Layout | None,
    vins: Sequence[Span],
    marked: Sequence[Span],
) -> tuple[MemoryMap, Figure]:
    drawn = compute_map(read.image, plan, layout=layout, vins=vins, marked=marked)
    svg = picture.memory_map(
        drawn, title=f"Memory map of {label}", name=f"map-{label.lower()}", marks="differs"
    )
    return drawn, Figure(svg, f"{label}: {read.path}")


def _compare_lists(difference: Difference, layout: Layout | None) -> list[PlacedList]:
    same = difference.same_layout
    lists = [
        PlacedList(
            title="One layout for both?",
            head=("result", "why"),
            rows=[PlacedRow(span=None, cells=(result_cell(same.result), Cell(same.reason)))],
            empty="",
        ),
        PlacedList(
            title="Differing runs",
            head=("bytes", "region", "A", "B"),
            rows=[_run_row(run) for run in difference.runs[:MOST_LISTED]],
            empty="No byte differs.",
            more=_more(len(difference.runs)),
        ),
    ]
    if layout is not None:
        rows = [
            PlacedRow(
                span=change.span,
                cells=(
                    Cell(change.name),
                    Cell(_kind_words(change.kind)),
                    Cell(field_words(change.a)),
                    Cell(field_words(change.b)),
                ),
            )
            for change in difference.fields
        ]
        head = ("name", "kind", "A", "B")
        lists.append(PlacedList(title="Differing fields", head=head, rows=rows, empty="None."))
    for name, spans in (("A", difference.only_in_a), ("B", difference.only_in_b)):
        if spans:
            rows = [
                PlacedRow(span=span, cells=(Cell(count_of(len(span), "byte")),))
                for span in spans[:MOST_LISTED]
            ]
            lists.append(PlacedList(title=f"Only in {name}", head=("bytes",), rows=rows, empty=""))
    if difference.moved:
        rows = [
            PlacedRow(
                span=Span(block.a_start, block.a_start + block.length),
                cells=(Cell(f"is in B at {Span(block.b_start, block.b_start + block.length)}"),),
            )
            for block in difference.moved[:MOST_LISTED]
        ]
        until = difference.moved_until
        end = "" if until is None else f", looked for up to {format_address(until)}"
        title = f"Moved blocks of A{end}"
        lists.append(PlacedList(title=title, head=("in B",), rows=rows, empty=""))
    return lists


def _run_row(run: DifferingRun) -> PlacedRow:
    region = "" if run.region is None or run.kind is None else _region_words(run)
    return PlacedRow(
        span=run.span,
        cells=(
            Cell(str(len(run.span))),
            Cell(region),
            code(short_bytes_words(run.a, 24)),
            code(short_bytes_words(run.b, 24)),
        ),
    )


def _region_words(run: DifferingRun) -> str:
    return f"{run.region} ({_kind_words(run.kind)})" if run.kind else ""


def _kind_words(kind: RegionKind) -> str:
    return name_words(kind)


def _more(count: int) -> str | None:
    left = count - MOST_LISTED
    return (
        f"{count_of(left, 'more place')} not listed; the bytes show them all." if left > 0 else None
    )


_INFORMATION = "0 to 8 bits of information per byte"


def _information(image: Image, plan: MapPlan, name: str, caption: str) -> Figure:
    strip = compute_entropy(image, plan)
    return Figure(picture.entropy_strip(strip, title=caption.split(":")[0], name=name), caption)


def _shown(label: str, read: ReadFacts) -> ShownImage:
    words = f"{read.format}, {count_of(read.image.size, 'byte')}"
    return ShownImage(
        label=label,
        name=read.path,
        words=words,
        sha256=digest_words(read.image.sha256()),
        image=read.image,
    )


def _protected_parts(spans: Sequence[Span], layout: Layout | None) -> tuple[Span, ...]:
    """Marks that the page cannot find by itself, since it has not the bytes."""
    if layout is None:
        return ()
    protected = [region.span for region in layout.regions_of(RegionKind.PROTECTED)]
    return intersect_spans(spans, protected)
