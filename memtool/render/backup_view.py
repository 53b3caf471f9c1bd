"""What the backup commands say, as text and as documents. Prints nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from memtool.core.backup import BackupEntry, BackupRead
from memtool.core.finding import Finding
from memtool.render import terminal
from memtool.render.as_json import document, finding_values
from memtool.render.words import count_of, safe_text


def render_added(entry: BackupEntry, findings: Sequence[Finding], places: Sequence[str]) -> str:
    """One backup that was just kept."""
    width = terminal.terminal_width()
    lines = [f"Kept as backup {entry.id}: {_summary(entry)}"]
    lines += [terminal.labelled("store", place, width=width) for place in places]
    lines.append(terminal.labelled("image", f"SHA-256 {entry.sha256}", width=width))
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
    entry: BackupEntry, findings: Sequence[Finding], store: str, also: str | None
) -> dict[str, Any]:
    """`benchimage.backup-add/1`."""
    return document(
        "backup-add",
        store=store,
        also=also,
        backups=[_short(entry)],
        findings=finding_values(findings),
    )


def render_list(entries: Sequence[BackupEntry]) -> str:
    """All backups, oldest first."""
    rows = [
        [
            entry.id,
            safe_text(entry.added[:10]),
            entry.role.value,
            safe_text(entry.chip),
            _agreement(entry),
            safe_text(", ".join(read.name for read in entry.reads)),
        ]
        for entry in entries
    ]
    return terminal.table(rows, indent=0)


def list_document(
    entries: Sequence[BackupEntry], damaged: Sequence[str], store: str
) -> dict[str, Any]:
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
                        "base": read.base,
                        "size": read.size,
                    }
                    for read in entry.reads
                ],
            }
            for entry in entries
        ],
        damaged=list(damaged),
    )


def _short(entry: BackupEntry) -> dict[str, Any]:
    return {
        "id": entry.id,
        "sha256": entry.sha256,
        "role": entry.role.value,
        "chip": entry.chip,
        "reads": len(entry.reads),
        "agree": entry.agree,
    }


def _summary(entry: BackupEntry) -> str:
    return f"{entry.role.value}, {safe_text(entry.chip)}, {_agreement(entry)}"


def _agreement(entry: BackupEntry) -> str:
    reads = count_of(len(entry.reads), "read")
    if entry.agree is None:
        return reads
    return f"{reads}, {'agree' if entry.agree else 'DISAGREE'}"


def _described(read: BackupRead) -> str:
    return f"{read.format}, {count_of(read.size, 'byte')}, file SHA-256 {read.file_sha256[:12]}..."
