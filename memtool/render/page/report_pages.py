"""The customer file as blocks: every word of the page and the PDF, from the same facts."""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.checksums.checksum import ChecksumRule
from memtool.core.finding import Verdict
from memtool.core.job.decisions import Point
from memtool.core.job.stages.read_time import tell_given
from memtool.core.job.standing import tell_again, tell_changed
from memtool.core.report.report import (
    ImagePlace,
    Report,
    ReportAttachment,
    ReportChange,
    ReportChecksum,
    ReportChip,
    ReportImage,
    ReportModule,
)
from memtool.core.span import format_span
from memtool.core.words import count_of
from memtool.render.cautions import BEFORE_THE_JOB, BEFORE_WRITING, DEFERENCE
from memtool.render.page import picture
from memtool.render.page.blocks import (
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
    Table,
    code,
    result_cell,
)
from memtool.render.page.customer_page import describe_customer_page, describe_letterhead
from memtool.render.page.glossary import GLOSSARY
from memtool.render.page.procedure_page import describe_procedure
from memtool.render.values import (
    DECIDED,
    NO_BAD_SIGN,
    chip_words,
    date_words,
    digest_words,
    digits_words,
    name_words,
    reads_words,
    setup_words,
    time_words,
    verdict_words,
)

_MARKS = {
    ImagePlace.DONOR: "differs from the original",
    ImagePlace.TO_WRITE: "differs from the donor",
    ImagePlace.READ_BACK: "differs from the file to program",
    ImagePlace.FINISHED: "differs from the file to program: changed by the setup",
}


def describe_report(report: Report) -> Document:
    """The whole customer file."""
    work_order = report.facts.work_order or "not on record"
    return Document(
        kind="Shop copy: identities in full" if report.is_shop_copy else "Customer copy",
        title="Record of work on a control module",
        subject=f"Record of work, order {work_order}",
        as_of=report.as_of,
        foot=f"Job {report.job}, {date_words(report.as_of)}",
        letterhead=describe_letterhead(report),
        blocks=(
            *describe_customer_page(report),
            *_proof_page(report),
            *_images(report),
            *_changes(report),
            *describe_procedure(report),
            *_checksums(report),
            *_modules(report),
            *_checks(report),
            *_notes(report),
            *_journal(report),
            *_cautions(),
            *_glossary(),
        ),
    )


def _proof_page(report: Report) -> Iterator[Block]:
    yield Heading("Proof", on_new_page=True)
    yield Table(
        head=("claim", "result", "where it is recorded"),
        rows=[
            Row((Cell(line.text), result_cell(line.result), Cell(line.source, Look.SMALL)))
            for line in report.proof
        ],
        widths=(6, 0, 4),
    )
    yield Heading("Not done, not checked, or for a person to decide")
    yield Items(report.open_points) if report.open_points else Paragraph("Nothing.")
    yield from _setup(report)
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
    yield Heading("The order")
    yield Facts([(label, Cell(value)) for label, value in report.order])
    for module in report.modules:
        yield from _module_line(module)
    if report.original_unreadable:
        yield Paragraph(f"The original could not be read: {report.original_unreadable}")


def _cautions() -> Iterator[Block]:
    yield Heading("Cautions for this work")
    yield Items((*BEFORE_THE_JOB, *BEFORE_WRITING), Look.SMALL)
    yield Paragraph(DEFERENCE, Look.SMALL)


def _setup(report: Report) -> Iterator[Block]:
    """What the maker's procedure had to set, memory by memory."""
    rows = [
        Row((Cell(words if len(report.chips) == 1 else f"{chip.chip}: {words}"), result))
        for chip in report.chips
        for words, result in _setup_rows(chip)
    ]
    if rows:
        yield Heading("What the maker's procedure had to set, as in the original")
        yield Table(head=("setting", "measured after setup"), rows=rows, widths=(6, 3))


def _setup_rows(chip: ReportChip) -> Iterator[tuple[str, Cell]]:
    named = [item for item in chip.setup if item.wanted is not None]
    for item in named:
        yield setup_words(item), Cell(_SET_WORDS[item.result])
    others = [item for item in chip.setup if item.wanted is None]
    if others:
        size = sum(len(item.span) for item in others)
        words = f"{count_of(size, 'byte')} in {count_of(len(others), 'place')} that no layout names"
        states = {item.result for item in others}
        state = next(iter(states)) if len(states) == 1 else Verdict.DECIDE
        yield words, Cell(_SET_WORDS[state])


_MOST_SHOWN = 16
"""Bytes of one run."""
_SET_WORDS = {
    Verdict.PASS: "set as in the original",
    Verdict.DECIDE: "differs from the original",
    Verdict.NOT_CHECKED: "not measured",
}


def _module_line(module: ReportModule) -> Iterator[Block]:
    part = f"part number {module.part}" if module.part else "part number not on record"
    source = f"; from {module.source}" if module.source else ""
    memory = f"memory {chip_words(module.backup.chip, module.backup.size)}"
    words = f"{part}{source}; {memory}; {_reads_words(module)}"
    yield Facts([(module.backup.role.value, Cell(words))])


def _reads_words(module: ReportModule) -> str:
    backup = module.backup
    return reads_words(
        backup.read_count, agree=backup.agree, single_read_reason=backup.single_read_reason
    )


def _change_words(change: ReportChange, *, several: bool) -> str:
    entry = f"Entry {change.blanking.number} ({change.chip}): " if several else ""
    return f"{entry}{change.summary}"


def _removed_words(report: Report) -> str:
    texts = (text for change in report.changes for text in change.blanking.identities)
    removed = list(dict.fromkeys(texts))
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
    if chip.reader_order:
        yield Paragraph(chip.reader_order)
    shown = [image for image in chip.images if image.map is not None]
    for image in chip.images:
        if image.missing:
            yield Paragraph(f"The {image.place} cannot be shown: {image.missing}.")
    absent = [
        place for place in _EXPECTED if all(image.place is not place for image in chip.images)
    ]
    if absent:
        yield Paragraph(f"Not on record: {', '.join(absent)}.")
    if not shown:
        return
    yield Figures(
        [_map_figure(image, f"map-{number}-{place}") for place, image in enumerate(shown)]
    )
    maps = [image.map for image in shown if image.map]
    yield Key(picture.map_key(*maps, marks="see each caption"))
    strips = [
        _agreement_strip(image, f"strip-{number}-{place}") for place, image in enumerate(shown)
    ]
    drawn = [strip for strip in strips if strip is not None]
    if drawn:
        yield Heading("Where the reads of one memory differ", 2)
        yield Figures(drawn)


_EXPECTED = (ImagePlace.ORIGINAL, ImagePlace.DONOR, ImagePlace.TO_WRITE, ImagePlace.READ_BACK)


def _map_figure(image: ReportImage, name: str) -> Figure:
    title = f"Memory map of the {image.place}"
    marks = _MARKS.get(image.place, "marked")
    caption = f"{image.place}, entry {image.entry}"
    if image.compared_with:
        size = image.differing_bytes
        caption += f"; bar below a cell: {marks}" if size else f"; no byte {marks}"
        caption += f" ({count_of(size, 'byte')})" if size else ""
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
        places=image.differing_places,
    )
    words = reads_words(image.reads, agree=image.agree)
    return Figure(svg, f"{image.place}: {words}, a bar where they do")


def _changes(report: Report) -> Iterator[Block]:
    yield Heading("Every byte that was changed")
    if not report.changes:
        yield Paragraph("This job changed no image.")
    for change in report.changes:
        yield from _change(change)


def _change(change: ReportChange) -> Iterator[Block]:
    made = change.blanking
    layout = f"with the layout '{made.layout}'" if made.layout else "without a layout"
    yield Paragraph(
        f"Journal entry {made.number}, {time_words(made.time)}: made for a {change.chip} from"
        f" backup {made.backup} {layout}."
    )
    if made.edits:
        yield Table(
            head=("addresses", "bytes", "what", "old", "new"),
            rows=[
                Row(
                    (
                        code(format_span(edit.span)),
                        Cell(str(len(edit.span))),
                        Cell(edit.reason),
                        code(digits_words(change.old_hex(edit))),
                        code(digits_words(edit.new.hex())),
                    )
                )
                for edit in made.edits
            ],
            widths=(0, 0, 3, 4, 4),
        )
    for kept in made.kept:
        yield Paragraph(f"Kept on purpose: {format_span(kept.span)}, {kept.reason}.")
    nothing = "" if made.leftovers else " Nothing was found."
    yield Paragraph(f"Search for traces: {made.searched}.{nothing}")
    if made.leftovers:
        yield Items([f"Left: {leftover}." for leftover in made.leftovers])
    yield Facts(
        [
            ("file", Cell(made.out)),
            ("image before", code(digest_words(made.donor_sha256))),
            ("image to program", code(digest_words(made.sha256))),
            ("its file", code(digest_words(made.file_sha256))),
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
                        Cell(_rule_words(checksum.rule)),
                        *(
                            Cell(_checksum_words(value.stored, value.result, blank=value.blank))
                            for value in checksum.values
                        ),
                    )
                )
                for checksum in chip.checksums
                if not checksum.rule.store
            ]
            + list(_store_rows(chip)),
            widths=(3, *(2 for _ in places)),
        )


def _store_rows(chip: ReportChip) -> Iterator[Row]:
    """The checksums of each store of records in one row: how many are right in each image."""
    stores: dict[str, list[ReportChecksum]] = {}
    for checksum in chip.checksums:
        if checksum.rule.store:
            stores.setdefault(checksum.rule.store, []).append(checksum)
    for store, checksums in stores.items():
        right = [
            sum(value.result is Verdict.PASS for value in values)
            for values in zip(*(checksum.values for checksum in checksums), strict=True)
        ]
        yield Row((Cell(f"records of '{store}'"), *(Cell(f"{count} right") for count in right)))


def _rule_words(rule: ChecksumRule) -> str:
    return f"{rule.name}: {rule.algorithm} at {rule.stored}"


def _checksum_words(stored: str, result: Verdict, *, blank: bool) -> str:
    shown = digits_words(stored) if stored else "not in the image"
    if blank and result is not Verdict.PASS:
        return f"{shown}: erased"
    return f"{shown}: {verdict_words(result)}"


def _modules(report: Report) -> Iterator[Block]:
    yield Heading("Reads and their health")
    if not report.modules:
        yield Paragraph("No module was read.")
    for module in report.modules:
        backup = module.backup
        yield Heading(f"{backup.role.value.capitalize()}, {backup.chip}", 2)
        rows = [
            ("reads", Cell(_reads_words(module))),
            ("clip refitted", Cell(backup.reseated or "not on record")),
            ("image", code(digest_words(backup.sha256))),
            ("backup", code(f"{backup.backup} (journal entry {backup.number})")),
        ]
        yield Facts(rows)
        yield Table(
            head=("file", "SHA-256 of the file"),
            rows=[
                Row((Cell(name), code(digest_words(digest) if digest else "not on record")))
                for name, digest in module.files
            ],
            widths=(2, 5),
        )
        if backup.findings:
            yield Items(backup.findings)
        else:
            yield Paragraph(f"{NO_BAD_SIGN.capitalize()}.")


def _checks(report: Report) -> Iterator[Block]:
    yield Heading("The checks, one by one")
    for item in report.stages:
        name = name_words(item.stage) + (f", {item.chip}" if item.chip else "")
        if item.done is None:
            yield Heading(f"Check {name}: not made", 2)
            continue
        yield Heading(f"Check {name}: {verdict_words(item.verdict or item.done.verdict)}", 2)
        how = (
            f"image {digest_words(item.done.sha256)}"
            if item.done.sha256
            else "values reported, not measured"
        )
        subject = f", {item.done.subject}" if item.done.subject else ""
        yield Paragraph(
            f"Journal entry {item.done.number}, {time_words(item.done.time)}{subject}, {how}",
            Look.SMALL,
        )
        given = tell_given(item.done)
        if given is not None:
            yield Paragraph(given, Look.SMALL)
        again = tell_again(item.done)
        if again is not None:
            yield Paragraph(f"{again[:1].upper()}{again[1:]}.", Look.SMALL)
        if item.changed:
            yield Paragraph(f"It is out of date: {tell_changed(item.changed)}.", Look.STRONG)
        yield Table(
            head=("result", "what was found"),
            rows=[_check_row(point) for point in item.points],
            widths=(0, 1),
        )
    yield from _runs(report)


def _runs(report: Report) -> Iterator[Block]:
    """The bytes that changed after writing and were left to a person; the shop's copy has them."""
    rows = [
        Row(
            (
                Cell(span_text if len(report.chips) == 1 else f"{chip.chip}: {span_text}"),
                Cell(run.region or "no region"),
                code(_run_bytes(run.old)),
                code(_run_bytes(run.new)),
            )
        )
        for chip in report.chips
        for run in chip.runs
        for span_text in (format_span(run.span),)
    ]
    if rows:
        yield Heading("Bytes that changed after the file was written", 2)
        yield Table(
            head=("where", "region", "before", "after setup"), rows=rows, widths=(3, 2, 3, 3)
        )


def _run_bytes(data: bytes | None) -> str:
    if data is None:
        return "protected: not shown"
    return data[:_MOST_SHOWN].hex(" ") + (" …" if len(data) > _MOST_SHOWN else "")


def _check_row(point: Point) -> Row:
    check, text, made = point.check, point.check.said, point.decision
    if made is not None:
        text += f" Decided by {made.name}, {date_words(made.time)}: {made.text.rstrip('.')}."
        return Row((Cell(DECIDED), Cell(text)))
    return Row((result_cell(check.result), Cell(text)))


def _notes(report: Report) -> Iterator[Block]:
    yield Heading("Notes and attached files")
    if not report.notes and not report.attachments:
        yield Paragraph("None.")
    if report.notes:
        yield Table(
            head=("time", "note"),
            rows=[Row((Cell(time_words(note.time)), Cell(note.text))) for note in report.notes],
            widths=(1, 4),
        )
    for attachment in report.attachments:
        yield from _attachment(attachment)


def _attachment(attachment: ReportAttachment) -> Iterator[Block]:
    file = attachment.file
    caption = f": {file.caption}" if file.caption else ""
    if attachment.data is not None and attachment.picture is not None:
        yield Photo(attachment.data, attachment.picture, f"{file.name}{caption}")
    else:
        yield Paragraph(f"{file.name}{caption} (not shown: {attachment.reason})")
    yield Facts([("SHA-256", code(digest_words(file.sha256)))])


def _journal(report: Report) -> Iterator[Block]:
    count = len(report.journal)
    yield Heading("Journal")
    yield Paragraph(
        "Every step is recorded as one line in journal.jsonl. A line carries its own hash and the"
        " hash of the line before: a line that was changed, removed or inserted breaks the chain. "
        "The chain was verified when this record was made. You can check it with common tools:"
    )
    yield Facts(
        [
            ("one line", code("sed -n 3p journal.jsonl | cut -c 80- | sha256sum")),
            ("", Cell("gives the hash recorded in line 3, and as 'previous' in line 4")),
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
