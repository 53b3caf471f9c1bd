"""`benchimage backup`: add, list, check and restore."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from memtool.cli.session import clock, read_options
from memtool.cli.shared import (
    PATH,
    note,
    output_options,
    print_json,
    reading_options,
    store_option,
)
from memtool.core.backup import BackupEntry, Role
from memtool.core.chip import CHIPS, Chip, find_chip
from memtool.core.finding import Finding, Severity, Verdict
from memtool.core.health.all_checks import find_health
from memtool.core.reads.agreement import compare_reads
from memtool.core.span import format_address
from memtool.errors import StoreError, UsageError
from memtool.formats.codec import ImageFormat, encode_image
from memtool.render import backup_view, terminal
from memtool.render.as_json import document
from memtool.render.words import count_of, safe_text
from memtool.store.backups import BackupStore, default_store_folder
from memtool.store.writing import write_new
from memtool.workflow.loading import LoadedRead, find_repeated, load_read
from memtool.workflow.start import read_to_keep

DAMAGED = 5

_Command = TypeVar("_Command", bound=Callable[..., Any])


def also_option(command: _Command) -> _Command:
    """Give a command ``--also``, the folder of a second store."""
    return click.option(
        "--also",
        type=PATH,
        envvar="BENCHIMAGE_ALSO",
        help="Folder of a second store, on a stick or a share.",
    )(command)


@click.group(
    "backup",
    epilog="""\b
Examples:
  benchimage backup add d1.bin d2.bin --role donor --chip 95160
  benchimage backup list
  benchimage backup check --also /media/stick/backups
  benchimage backup restore 3f2a9c01b7de --out donor.bin
""",
)
def command() -> None:
    """Keep, check and restore backups.

    A backup is a verified copy of every read of one chip. The store is a folder of
    plain files, with a README in it; it can be emptied by hand.
    """


@command.command(
    "add",
    epilog="""\b
Examples:
  benchimage backup add d1.bin d2.bin --role donor --chip 95160
  benchimage backup add o1.hex --role original --chip 24C16 \\
    --single-read 'chip died after the first read' --also /media/stick/backups
""",
)
@click.argument("reads", metavar="READ...", nargs=-1, required=True, type=PATH)
@click.option(
    "--role",
    required=True,
    type=click.Choice([role.value for role in Role]),
    help="Which module it is.",
)
@click.option("--single-read", metavar="REASON", help="Why there is only one read.")
@also_option
@reading_options
def add(
    reads: tuple[Path, ...],
    role: str,
    single_read: str | None,
    also: Path | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Keep all reads of one chip, in the order given.

    The same reads again are the same backup. A single read, and reads that disagree,
    are kept as well: they may be the last.
    """
    name = _require_chip(chip)
    options = read_options(read_format, base=base, overlap=overlap)
    loaded = [load_read(path, options) for path in reads]
    backups = _open(store, also)
    entry = backups.add(
        [read_to_keep(read) for read in loaded],
        role=Role(role),
        chip=name,
        single_read_reason=single_read,
        added=clock().isoformat(timespec="seconds"),
    )
    findings = _judge(loaded, single_read, role=Role(role), chip=find_chip(name))
    second = None if also is None else str(also)
    if as_json:
        print_json(backup_view.added_document(entry, findings, str(backups.folder), second))
    else:
        places = [str(place) for place in (backups.folder, also) if place is not None]
        click.echo(backup_view.render_added(entry, findings, places))
        note("Next: 'benchimage backup check' reads every copy back.")
    return 1 if any(finding.severity is Severity.FAILURE for finding in findings) else 0


@command.command(
    "list",
    epilog="""\b
Example:
  benchimage backup list --json
""",
)
@output_options
@store_option
def list_backups(store: Path | None, as_json: bool) -> int:
    """All backups of the store, oldest first."""
    backups = _open(store, None)
    entries = backups.entries()
    damaged = [str(error) for error in backups.damaged_records()]
    if as_json:
        print_json(backup_view.list_document(entries, damaged, str(backups.folder)))
    elif entries:
        click.echo(backup_view.render_list(entries))
    else:
        note(f"No backups in {safe_text(str(backups.folder))} yet.")
    if damaged:
        note(
            f"{count_of(len(damaged), 'record')} cannot be read."
            " Next: 'benchimage backup check' says what is wrong."
        )
        return DAMAGED
    return 0


@command.command(
    "check",
    epilog="""\b
Examples:
  benchimage backup check
  benchimage backup check --quick
  benchimage backup check --also /media/stick/backups --repair
""",
)
@click.option("--quick", is_flag=True, help="Names, sizes, records and journal only.")
@click.option("--repair", is_flag=True, help="Rebuild what can be rebuilt; delete nothing.")
@also_option
@output_options
@store_option
def check(quick: bool, repair: bool, also: Path | None, store: Path | None, as_json: bool) -> int:
    """Read every copy back and hash it, and say what is wrong. Ends with 5 if anything is.

    With --also the second store is checked as well, and both are compared.
    """
    backups = _open(store, also)
    time = clock().isoformat(timespec="seconds")
    repaired = backups.repair(time=time) if repair else ()
    items = backups.check(full=not quick)
    ok = all(item.result is Verdict.PASS for item in items)
    if as_json:
        print_json(
            document(
                "backup-check",
                store=str(backups.folder),
                also=None if also is None else str(also),
                level="structure" if quick else "every-byte",
                ok=ok,
                items=[
                    {"id": item.id, "result": item.result.value, "text": item.text}
                    for item in items
                ],
                repaired=list(repaired),
            )
        )
        return 0 if ok else DAMAGED
    width = terminal.terminal_width()
    for text in repaired:
        click.echo(terminal.labelled("repaired", text, width=width))
    for item in items:
        line = f"{item.id}: {item.text}"
        click.echo(terminal.labelled(item.result.value, line, width=width, label_width=4))
    where = safe_text(str(backups.folder))
    if ok:
        click.echo(f"Nothing is wrong in {where}.")
        return 0
    click.echo(f"Something is wrong in {where}; see the lines that say 'fail'.")
    note(
        "Next: 'benchimage backup check --repair --also DIR' takes good copies from another store."
    )
    return DAMAGED


@command.command(
    "restore",
    epilog="""\b
Examples:
  benchimage backup restore 3f2a9c01b7de --out donor.bin
  benchimage backup restore 3f2a9c01b7de --read 2 --out second-read.bin
  benchimage backup restore 3f2a9c01b7de --to intel-hex --out donor.hex
""",
)
@click.argument("backup_id", metavar="ID")
@click.option("--out", required=True, type=PATH, help="The file to make; it must not exist.")
@click.option("--read", "number", type=click.IntRange(min=1), default=1, help="Which read, from 1.")
@click.option(
    "--to",
    type=click.Choice([item.value for item in ImageFormat]),
    help="The image in this format, instead of the very file that was read.",
)
@also_option
@output_options
@store_option
def restore(
    backup_id: str,
    out: Path,
    number: int,
    to: str | None,
    also: Path | None,
    store: Path | None,
    as_json: bool,
) -> int:
    """Give a backup back: the very file that was read, byte for byte.

    Where the first store has lost it, the second one (--also) is asked.
    """
    backups = _open(store, also)
    entry = _find(backups, backup_id)
    if number > len(entry.reads):
        raise UsageError(
            f"backup {entry.id} has {count_of(len(entry.reads), 'read')}",
            code="no-such-read",
            next_step="see 'benchimage backup list'",
        )
    read = entry.reads[number - 1]
    parsed = backups.image_of(entry, number - 1)
    data = backups.read_file_of(entry, number - 1)
    if to is not None:
        try:
            data = encode_image(parsed.image, ImageFormat(to))
        except ValueError as error:
            raise UsageError(
                f"the image cannot be written as {to}: {error}",
                code="cannot-encode",
                next_step="take another format with --to",
            ) from error
    digest = write_new(out, data)
    start = parsed.image.segments[0].start
    result = document(
        "backup-restore",
        id=entry.id,
        read=number,
        out=str(out),
        format=to or read.format,
        base=start,
        file_sha256=digest,
        sha256=read.sha256,
        very_file=to is None,
    )
    if as_json:
        print_json(result)
        return 0
    what = "the very file that was read" if to is None else f"the image as {to}"
    click.echo(f"{safe_text(str(out))}: {what}, {count_of(len(data), 'byte')}")
    click.echo(f"  file SHA-256   {digest}")
    click.echo(f"  image SHA-256  {read.sha256}")
    if start and (to or read.format) == "raw":
        note(f"A raw file keeps no address: its first byte belongs to {format_address(start)}.")
    note(f"Next: 'benchimage inspect {safe_text(str(out))}' shows what is in it.")
    return 0


def _open(store: Path | None, also: Path | None) -> BackupStore:
    return BackupStore(store or default_store_folder(), also=also)


def _find(backups: BackupStore, backup_id: str) -> BackupEntry:
    """The entry, from the second store where the first cannot be opened or lost it."""
    try:
        return backups.entry(backup_id)
    except (StoreError, UsageError):
        if backups.also is None:
            raise
        try:
            return BackupStore(backups.also).entry(backup_id)
        except (StoreError, UsageError):
            pass
        raise


def _require_chip(name: str | None) -> str:
    if name is None:
        raise UsageError(
            "the memory chip is not named",
            code="missing-answer",
            next_step="give --chip, for example --chip 95160",
        )
    chip = find_chip(name)
    if chip is not None:
        return chip.name
    # A controller's own flash is in no table of EEPROMs; a slip of the pen is near one.
    close = difflib.get_close_matches(name.upper(), [item.name for item in CHIPS], n=4, cutoff=0.7)
    if not close:
        return name
    raise UsageError(
        f"no memory chip is known as '{name}'",
        code="unknown-chip",
        next_step=f"did you mean {', '.join(close)}",
    )


def _judge(
    loaded: list[LoadedRead], single_read: str | None, *, role: Role, chip: Chip | None
) -> tuple[Finding, ...]:
    findings = [finding for read in loaded for finding in read.findings]
    health = find_health(loaded[0].image, chip=chip, claimed_new=role is Role.REFERENCE)
    findings += terminal.weighty(health)
    if len(loaded) == 1 and single_read is None:
        findings.append(
            Finding(
                code="single-read",
                severity=Severity.WARNING,
                text="This is a single read, and nothing tells whether it is a good one: take"
                " the clip off, put it on again, read once more, and add both together.",
            )
        )
    findings += find_repeated(loaded)
    findings += compare_reads([read.image for read in loaded]).findings
    return tuple(findings)
