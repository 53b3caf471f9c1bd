"""What the backup commands say, as text and as documents. Prints nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

from memtool.core.finding import Finding
from memtool.core.job.backup import Backup, BackupRead
from memtool.core.read_options import PLAIN
from memtool.core.words import count_of
from memtool.render.json.as_json import document, finding_values
from memtool.render.text import terminal
from memtool.render.values import digest_words, reads_words, short_digest
from memtool.render.words import safe_text


def render_added(entry: Backup, findings: Sequence[Finding], places: Sequence[str]) -> str:
    """One backup that was just kept."""
    width = terminal.terminal_width()
    lines = [f"Kept as backup {entry.id}: {_summary(entry)}"]
    lines += [terminal.labelled("store", place, width=width) for place in places]
    lines.append(terminal.labelled("image", f"SHA-256 {digest_words(entry.sha256)}", width=width))
    lines += [
        terminal.labelled(f"read {number}", f"{read.name} ({_described(read)})", width=width)
        for number, read in enumerate(entry.reads, 1)
    ]
    if entry.single_read_reason:
        reason = f"because: {entry.single_read_reason}"
        lines.append(terminal.labelled("single read", reason, width=width))
    if findings:
        lines.append(terminal.findings(findings, width=width))
    return "\n".join(lines)


def added_document(
    entry: Backup, findings: Sequence[Finding], store: str, also: str | None
) -> dict[str, Any]:
    """`benchimage.backup-add/1`."""
    return document(
        "backup-add",
        store=store,
        also=also,
        backups=[_short(entry)],
        findings=finding_values(findings),
    )


LIST_HEADINGS = ("Backup", "Added", "Role", "Chip", "Reads", "Files")


def list_cells(entry: Backup) -> tuple[str, ...]:
    """One backup in the order of `LIST_HEADINGS`, safe to print."""
    return (
        entry.id,
        safe_text(entry.added[:10]),
        entry.role.value,
        safe_text(entry.chip),
        _agreement(entry),
        safe_text(", ".join(read.name for read in entry.reads)),
    )


def render_list(entries: Sequence[Backup]) -> str:
    """All backups, oldest first; the names of their files below where they do not fit beside."""
    rows = [list_cells(entry) for entry in entries]
    lines = terminal.table(rows, indent=0).splitlines()
    if len(lines) == len(rows):
        return "\n".join(lines)
    heads = terminal.table([row[:-1] for row in rows], indent=0).splitlines()
    if len(heads) != len(rows):
        return "\n".join(lines)
    width = terminal.terminal_width()
    names = [terminal.paragraph(row[-1], width=width, indent=4) for row in rows]
    return "\n".join(line for pair in zip(heads, names, strict=True) for line in pair)


class RestoredFile(Protocol):
    """A backup that was given back."""

    @property
    def format(self) -> str: ...
    @property
    def data(self) -> bytes: ...
    @property
    def sha256(self) -> str: ...
    @property
    def order(self) -> str: ...
    @property
    def very_file(self) -> bool: ...


def render_restored(done: RestoredFile, out: str, *, image_sha256: str) -> str:
    """What was given back, and where it lies."""
    what = "the exact file that was read" if done.very_file else f"the image as {done.format}"
    if done.order != PLAIN:
        what += f", in the reader's order {done.order}"
    return "\n".join(
        (
            f"{safe_text(out)}: {what}, {count_of(len(done.data), 'byte')}",
            f"  file SHA-256   {digest_words(done.sha256)}",
            f"  image SHA-256  {digest_words(image_sha256)}",
        )
    )


def list_document(entries: Sequence[Backup], damaged: Sequence[str], store: str) -> dict[str, Any]:
    """`benchimage.backup-list/1`."""
    return document(
        "backup-list",
        store=store,
        backups=[
            {
                **_short(entry),
                "added": entry.added,
                "single_read_reason": entry.single_read_reason,
                "files": [
                    {
                        "name": read.name,
                        "file_sha256": read.file_sha256,
                        "sha256": read.sha256,
                        "format": read.format,
                        "base": read.options.base,
                        "size": read.size,
                    }
                    for read in entry.reads
                ],
            }
            for entry in entries
        ],
        damaged=list(damaged),
    )


def _short(entry: Backup) -> dict[str, Any]:
    return {
        "id": entry.id,
        "sha256": entry.sha256,
        "role": entry.role.value,
        "chip": entry.chip,
        "reads": len(entry.reads),
        "agree": entry.agree,
    }


def _summary(entry: Backup) -> str:
    return f"{entry.role.value}, {safe_text(entry.chip)}, {_agreement(entry)}"


def _agreement(entry: Backup) -> str:
    if entry.agree is None:
        return count_of(len(entry.reads), "read")
    return reads_words(len(entry.reads), agree=entry.agree)


def _described(read: BackupRead) -> str:
    digest = short_digest(read.file_sha256)
    return f"{read.format}, {count_of(read.size, 'byte')}, file SHA-256 {digest}"
