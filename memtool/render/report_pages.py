"""The customer file as blocks: every word of the page and the PDF, from the same facts."""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.finding import Check, Verdict
from memtool.core.reporting.memory_map import MemoryMap
from memtool.core.reporting.report import (
    ImagePlace,
    Report,
    ReportAttachment,
    ReportChange,
    ReportChip,
    ReportImage,
    ReportModule,
)
from memtool.core.span import format_span
from memtool.render import picture
from memtool.render.blocks import (
    Block,
    Cell,
    Document,
    Facts,
    Figure,
    Figures,
    Heading,
    Items,
    Key,
    Look,
    Paragraph,
    Photo,
    Row,
    Signatures,
    Table,
    code,
)
from memtool.render.cautions import BEFORE_THE_JOB, BEFORE_WRITING, DEFERENCE
from memtool.render.glossary import GLOSSARY
from memtool.render.words import count_of

_RESULT_WORDS = {
    Verdict.PASS: Cell("yes"),
    Verdict.FAIL: Cell("NO", Look.STRONG),
    Verdict.NOT_CHECKED: Cell("not checked", Look.STRONG),
}
_MARKS = {
    ImagePlace.DONOR: "differs from the original",
    ImagePlace.TO_WRITE: "changed, compared with the donor",
    ImagePlace.READ_BACK: "differs from the file to write",
    ImagePlace.FINISHED: "changed by the setup, compared with the file to write",
}


def describe_report(report: Report) -> Document:
    """The whole customer file."""
    work_order = next((value for label, value in report.order if label == "work order"), "")
    return Document(
        kind="Shop copy: identities in full" if report.is_shop_copy else "Customer copy",
        title="Record of work on a control module",
        subject=f"Record of work, order {work_order}",
        as_of=report.as_of,
        foot=f"Job {report.job}, as of {report.as_of}",
        blocks=(
            *_first_page(report),
            *_images(report),
            *_changes(report),
            *_checksums(report),
            *_modules(report),
            *_checks(report),
            *_notes(report),
            *_journal(report),
            *_glossary(),
        ),
    )


def _first_page(report: Report) -> Iterator[Block]:
    yield Paragraph(report.result, Look.RESULT)
    yield Facts([(label, Cell(value)) for label, value in report.order])
    for module in report.modules:
        yield from _module_line(module)
    if report.original_unreadable:
        yield Paragraph(f"The original could not be read: {report.original_unreadable}")
    yield Heading("What was changed")
    if not report.changes:
        yield Paragraph("Nothing: this job changed no image.")
    for change in report.changes:
        yield Paragraph(_change_words(change, several=len(report.changes) > 1))
    yield Facts(
        [
            ("identity removed", Cell(_removed_words(report))),
            ("identity now", Cell(report.identity_now)),
        ]
    )
    yield Heading("Proof")
    yield Table(
        head=("claim", "holds?", "where it is recorded"),
        rows=[
            Row((Cell(line.text), _RESULT_WORDS[line.result], Cell(line.source, Look.SMALL)))
            for line in report.proof
        ],
        widths=(6, 0, 4),
    )
    yield Heading("Not done, not checked, or left to a person")
    yield Items(report.open_points) if report.open_points else Paragraph("Nothing.")
    yield Heading("Cautions")
    yield Items((*BEFORE_THE_JOB, *BEFORE_WRITING), Look.SMALL)
    yield Paragraph(DEFERENCE, Look.SMALL)
    yield Signatures(("Technician, date", "Customer, date"))


def _module_line(module: ReportModule) -> Iterator[Block]:
    part = f"part number {module.part}" if module.part else "part number not on record"
    source = f"; from {module.source}" if module.source else ""
    memory = f"memory {module.chip}, {count_of(module.size, 'byte')}"
    words = f"{part}{source}; {memory}; {_reads_words(module)}"
    yield Facts([(module.role.value, Cell(words))])


def _reads_words(module: ReportModule) -> str:
    if module.agree is None:
        return f"read once ({module.single_read_reason or 'no reason on record'})"
    if module.agree:
        return f"{module.reads} reads, all alike"
    return f"{module.reads} reads that DIFFER"


def _change_words(change: ReportChange, *, several: bool) -> str:
    return f"Entry {change.number} ({change.chip}): {change.summary}" if several else change.summary


def _removed_words(report: Report) -> str:
    removed = list(dict.fromkeys(text for change in report.changes for text in change.removed))
    return ", ".join(removed) if removed else "none"


def _images(report: Report) -> Iterator[Block]:
    yield Heading("The memories in pictures", on_new_page=True)
    if not report.chips:
        yield Paragraph("No memory was read.")
    for number, chip in enumerate(report.chips):
        yield from _chip_pictures(chip, number, several=len(report.chips) > 1)


def _chip_pictures(chip: ReportChip, number: int, *, several: bool) -> Iterator[Block]:
    if several:
        yield Heading(f"Memory {chip.chip}", 2)
    layout = (
        f"Regions by the layout '{chip.layout}'." if chip.layout else "No layout names regions."
    )
    yield Paragraph(chip.layout_problem or layout)
    shown = [image for image in chip.images if image.map is not None]
    for image in chip.images:
        if image.missing:
            yield Paragraph(f"The {image.place} cannot be shown: {image.missing}.")
    absent = [
        place for place in _EXPECTED if all(image.place is not place for image in chip.images)
    ]
    if absent:
        yield Paragraph(f"Not on record: {', '.join(absent)}.")
    yield Figures(
        [_map_figure(image, f"map-{number}-{place}") for place, image in enumerate(shown)]
    )
    yield Key(_key_of([image.map for image in shown if image.map]))
    for title, draw in (
        ("Do the reads agree?", _agreement_strip),
        ("Where the images differ", _difference_strip),
        ("How much information the bytes carry", _information_strip),
    ):
        strips = [draw(image, f"strip-{number}-{place}") for place, image in enumerate(shown)]
        drawn = [strip for strip in strips if strip is not None]
        if drawn:
            yield Heading(title, 2)
            yield Figures(drawn, columns=3)


_EXPECTED = (ImagePlace.ORIGINAL, ImagePlace.DONOR, ImagePlace.TO_WRITE, ImagePlace.READ_BACK)


def _key_of(maps: list[MemoryMap]) -> list[tuple[str, str]]:
    pairs = [pair for shown in maps for pair in picture.map_key(shown, marks="see each caption")]
    signs = dict(pairs)
    letters = sorted((sign, words) for sign, words in signs.items() if len(sign) == 1)
    return [*letters, *((sign, words) for sign, words in signs.items() if len(sign) > 1)]


def _map_figure(image: ReportImage, name: str) -> Figure:
    title = f"Memory map of the {image.place}"
    marks = _MARKS.get(image.place, "marked")
    caption = f"{image.place}, entry {image.entry}"
    if image.compared_with:
        caption += f"; bar below a cell: {marks}"
        caption += f" ({count_of(image.differing_bytes or 0, 'byte')})"
    assert image.map is not None
    return Figure(picture.memory_map(image.map, title=title, name=name, marks=marks), caption)


def _agreement_strip(image: ReportImage, name: str) -> Figure | None:
    if image.agreement is None:
        return None
    svg = picture.agreement_strip(
        image.agreement,
        title=f"Agreement of the reads of the {image.place}",
        name=f"{name}-reads",
        reads=image.reads,
    )
    words = "all alike, no bar" if image.agree else "a bar where they DIFFER"
    return Figure(svg, f"{image.place}: {image.reads} reads, {words}")


def _difference_strip(image: ReportImage, name: str) -> Figure | None:
    if image.difference is None or image.compared_with is None:
        return None
    svg = picture.difference_strip(
        image.difference,
        title=f"Where the {image.place} differs from the {image.compared_with}",
        name=f"{name}-difference",
        differing=image.differing_bytes or 0,
    )
    count = count_of(image.differing_bytes, "byte") if image.differing_bytes else "nothing"
    return Figure(svg, f"{image.place}, compared with the {image.compared_with}: {count}")


def _information_strip(image: ReportImage, name: str) -> Figure | None:
    if image.information is None:
        return None
    svg = picture.entropy_strip(
        image.information, title=f"Information in the {image.place}", name=f"{name}-information"
    )
    return Figure(svg, f"{image.place}: none to eight bits a byte")


def _changes(report: Report) -> Iterator[Block]:
    yield Heading("Every byte that was changed")
    if not report.changes:
        yield Paragraph("This job changed no image.")
    for change in report.changes:
        yield from _change(change)


def _change(change: ReportChange) -> Iterator[Block]:
    layout = f"with the layout '{change.layout}'" if change.layout else "without a layout"
    yield Paragraph(
        f"Journal entry {change.number}, {change.time}: made for a {change.chip} from backup"
        f" {change.backup} {layout}."
    )
    if change.edits:
        yield Table(
            head=("addresses", "bytes", "what", "old", "new"),
            rows=[
                Row(
                    (
                        code(format_span(edit.span)),
                        Cell(str(len(edit.span))),
                        Cell(edit.reason),
                        code(_paired(edit.old)),
                        code(_paired(edit.new)),
                    )
                )
                for edit in change.edits
            ],
            widths=(0, 0, 3, 4, 4),
        )
    for span, reason in change.kept:
        yield Paragraph(f"Kept on purpose: {format_span(span)}, {reason}.")
    nothing = "" if change.leftovers else " Nothing was found."
    yield Paragraph(f"Search for what is left: {change.searched}.{nothing}")
    if change.leftovers:
        yield Items([f"Left: {leftover}." for leftover in change.leftovers])
    yield Facts(
        [
            ("file", Cell(change.out)),
            ("image before", code(change.donor_sha256)),
            ("image to write", code(change.sha256)),
            ("its file", code(change.file_sha256)),
        ]
    )


def _checksums(report: Report) -> Iterator[Block]:
    yield Heading("Checksums before and after")
    if not any(chip.checksums for chip in report.chips):
        yield Paragraph("Not checked: no layout names any checksum.")
        return
    for chip in report.chips:
        if not chip.checksums:
            continue
        places = [value.place for value in chip.checksums[0].values]
        yield Table(
            head=(f"checksum ({chip.chip})", *places),
            rows=[
                Row(
                    (
                        Cell(f"{checksum.name}: {checksum.algorithm} at {checksum.span}"),
                        *(
                            Cell(_checksum_words(value.stored, value.result, blank=value.blank))
                            for value in checksum.values
                        ),
                    )
                )
                for checksum in chip.checksums
            ],
            widths=(3, *(2 for _ in places)),
        )


def _checksum_words(stored: str, result: Verdict, *, blank: bool) -> str:
    if blank and result is not Verdict.PASS:
        return f"{stored}: erased"
    words = {
        Verdict.PASS: "holds",
        Verdict.FAIL: "does NOT hold",
        Verdict.NOT_CHECKED: "not checked",
    }
    return f"{stored or 'not defined'}: {words[result]}"


def _modules(report: Report) -> Iterator[Block]:
    yield Heading("Reads and their health")
    if not report.modules:
        yield Paragraph("No module was read.")
    for module in report.modules:
        yield Heading(f"{module.role.value.capitalize()}, {module.chip}", 2)
        rows = [
            ("reads", Cell(_reads_words(module))),
            ("clip reseated", Cell(module.reseated or "not on record")),
            ("image", code(module.sha256)),
            ("backup", code(f"{module.backup} (journal entry {module.entry})")),
        ]
        yield Facts(rows)
        yield Table(
            head=("file", "SHA-256 of the file"),
            rows=[
                Row((Cell(file.name), code(file.sha256 or "not on record")))
                for file in module.files
            ],
            widths=(2, 5),
        )
        if module.findings:
            yield Items(module.findings)
        else:
            yield Paragraph("No sign of a bad read was found.")


def _checks(report: Report) -> Iterator[Block]:
    yield Heading("The checks, one by one")
    for item in report.stages:
        name = item.stage.value.replace("-", " ") + (f", {item.chip}" if item.chip else "")
        if item.done is None:
            yield Heading(f"Check {name}: not made", 2)
            continue
        yield Heading(f"Check {name}: {item.done.verdict.value.replace('-', ' ')}", 2)
        how = f"image {item.done.sha256}" if item.done.sha256 else "values reported, not measured"
        subject = f", {item.done.subject}" if item.done.subject else ""
        yield Paragraph(
            f"Journal entry {item.done.number}, {item.done.time}{subject}, {how}", Look.SMALL
        )
        if item.stale is not None:
            yield Paragraph(
                f"It is older than the file to write of entry {item.stale}.", Look.STRONG
            )
        yield Table(
            head=("result", "what was found"),
            rows=[_check_row(check) for check in item.done.checks],
            widths=(0, 1),
        )


def _check_row(check: Check) -> Row:
    look = Look.PLAIN if check.result is Verdict.PASS else Look.STRONG
    text = check.text
    if check.reason:
        text += f" Not decided here: {check.reason}."
    return Row((Cell(check.result.value.replace("-", " "), look), Cell(text)))


def _notes(report: Report) -> Iterator[Block]:
    yield Heading("Notes and attached files")
    if not report.notes and not report.attachments:
        yield Paragraph("None.")
    if report.notes:
        yield Table(
            head=("time", "note"),
            rows=[Row((code(time), Cell(text))) for time, text in report.notes],
            widths=(0, 1),
        )
    for attachment in report.attachments:
        yield from _attachment(attachment)


def _attachment(attachment: ReportAttachment) -> Iterator[Block]:
    caption = f": {attachment.caption}" if attachment.caption else ""
    if attachment.data is not None and attachment.picture is not None:
        yield Photo(attachment.data, attachment.picture, f"{attachment.name}{caption}")
    else:
        yield Paragraph(f"{attachment.name}{caption} (not shown: {attachment.reason})")
    yield Facts([("SHA-256", code(attachment.sha256))])


def _journal(report: Report) -> Iterator[Block]:
    count = len(report.journal)
    yield Heading("Journal")
    yield Paragraph(
        "Every step is a line of the job's file journal.jsonl. A line carries its own hash and the"
        " hash of the line before: a line that was changed, removed or put in between breaks the"
        " chain. The chain was verified when this record was made. Common tools check it, too:"
    )
    yield Facts(
        [
            ("one line", code("sed -n 3p journal.jsonl | cut -c 80- | sha256sum")),
            ("", Cell("gives the hash that stands in line 3, and as 'previous' in line 4")),
            (f"first {count} lines", code(f"head -n {count} journal.jsonl | sha256sum")),
            ("gives", code(report.journal_sha256)),
        ]
    )
    yield Table(
        head=("line", "time", "what, and below it the line's own hash"),
        rows=[
            Row((Cell(str(entry.number)), code(entry.time), Cell(entry.text)), entry.sha256)
            for entry in report.journal
        ],
        widths=(0, 0, 1),
    )


def _glossary() -> Iterator[Block]:
    yield Heading("Words used here")
    yield Facts([(word, Cell(meaning)) for word, meaning in GLOSSARY])


def _paired(digits: str) -> str:
    """``01ff`` as ``01 ff``, so that long runs can wrap."""
    return " ".join(digits[place : place + 2] for place in range(0, len(digits), 2))
