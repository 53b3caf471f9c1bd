"""`benchimage backup`: add, list, check and restore."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from memtool.cli.place import job_option, output_options, store_option
from memtool.cli.reading import Reading, reading_options
from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import PATH
from memtool.core.chip import Chip
from memtool.core.finding import Finding, Severity, Verdict
from memtool.core.role import Role
from memtool.core.span import format_address
from memtool.core.words import count_of
from memtool.errors import MemtoolError, UsageError
from memtool.formats.codec import ImageFormat
from memtool.lazy import late_module
from memtool.render.json.as_json import document
from memtool.render.text import backup_view, terminal
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.words import safe_text
from memtool.workflow.context import clock, open_context
from memtool.workflow.late import jobs, kinds
from memtool.workflow.loading import LoadedRead, find_repeated, load_read
from memtool.workflow.places import StorePlace, find_stores

if TYPE_CHECKING:
    from memtool.core.health import agreement, all_checks
    from memtool.workflow import keeping_reads, restoring
    from memtool.workflow.jobs import OpenJob
else:
    agreement = late_module("memtool.core.health.agreement")
    all_checks = late_module("memtool.core.health.all_checks")
    keeping_reads = late_module("memtool.workflow.keeping_reads")
    restoring = late_module("memtool.workflow.restoring")

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
    plain files, with a README in it; files can be copied out of it by hand.
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
    help="The module that was read.",
)
@click.option("--single-read", metavar="REASON", help="Reason why there is only one read.")
@also_option
@reading_options
def add(
    reads: tuple[Path, ...],
    role: str,
    single_read: str | None,
    also: Path | None,
    reading: Reading,
    as_json: bool,
) -> int:
    """Keep all reads of one chip, in the order given.

    The same reads again are the same backup. A single read, and reads that disagree,
    are kept as well: they may be the last.
    """
    chip = reading.chip
    if chip is None:
        raise UsageError(
            "the memory chip is not named",
            code="missing-answer",
            next_step="give --chip, for example --chip 95160",
        )
    loaded = [load_read(path, reading.options()) for path in reads]
    stores = find_stores(reading.store, also)
    backups = stores.store
    entry = backups.add(
        [keeping_reads.new_read(read) for read in loaded],
        role=Role(role),
        chip=chip.name,
        single_read_reason=single_read,
        added=clock().isoformat(timespec="seconds"),
    )
    findings = _judge(loaded, single_read, role=Role(role), chip=chip)
    _tell_job(stores, "backup add", {"backup": entry.id}, loaded)
    second = None if also is None else str(also)
    if as_json:
        print_json(backup_view.added_document(entry, findings, str(backups.folder), second))
    else:
        places = [str(place) for place in (backups.folder, also) if place is not None]
        say(backup_view.render_added(entry, findings, places))
        step = NextStep(text="read every copy back", commands=("benchimage backup check",))
        say_next(step, in_job=True)
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
    stores = find_stores(store, None)
    backups = stores.store
    entries = backups.entries()
    damaged = [str(error) for error in backups.damaged_records()]
    _tell_job(stores, "backup list", {"backups": len(entries)})
    if as_json:
        print_json(backup_view.list_document(entries, damaged, str(backups.folder)))
    elif entries:
        say(f"{count_of(len(entries), 'backup')} in {safe_text(str(backups.folder))}:")
        say(backup_view.render_list(entries))
    else:
        note(f"No backups in {safe_text(str(backups.folder))} yet.")
    if damaged:
        note(f"{count_of(len(damaged), 'record')} cannot be read.")
        step = NextStep(text="see what is wrong", commands=("benchimage backup check",))
        say_next(step, in_job=True)
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
    stores = find_stores(store, also)
    backups = stores.store
    time = clock().isoformat(timespec="seconds")
    repaired = backups.repair(time=time) if repair else ()
    items = backups.check(full=not quick)
    ok = all(item.result is Verdict.PASS for item in items)
    _tell_job(stores, "backup check", {"ok": ok, "repaired": len(repaired)})
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
        say(terminal.labelled("repaired", text, width=width))
    for item in items:
        line = f"{item.id}: {item.text}"
        say(terminal.labelled(item.result.value, line, width=width, label_width=4))
    where = safe_text(str(backups.folder))
    if ok:
        say(f"No problems found in {where}.")
        return 0
    say(f"Problems found in {where}; see the lines marked 'fail'.")
    step = NextStep(
        text="take good copies from another store",
        commands=("benchimage backup check --repair --also DIR",),
    )
    say_next(step, in_job=True)
    return DAMAGED


@command.command(
    "restore",
    epilog="""\b
Examples:
  benchimage backup restore 3f2a9c01b7de --out donor.bin
  benchimage backup restore 3f2a9c01b7de --read 2 --out second-read.bin
  benchimage backup restore 3f2a9c01b7de --to intel-hex --out donor.hex
  benchimage backup restore donor/eeprom --out as-received.bin
""",
)
@click.argument("backup_id", metavar="ID")
@click.option("--out", required=True, type=PATH, help="The file to create; it must not exist yet.")
@click.option(
    "--read",
    "number",
    type=click.IntRange(min=1),
    default=1,
    help="Number of the read, counted from 1.",
)
@click.option(
    "--to",
    type=click.Choice([item.value for item in ImageFormat]),
    help="The image in this format, instead of the exact file that was read.",
)
@also_option
@job_option
@output_options
@store_option
def restore(
    backup_id: str,
    out: Path,
    number: int,
    to: str | None,
    also: Path | None,
    job: Path | None,
    store: Path | None,
    as_json: bool,
) -> int:
    """Restore a backup: the exact file that was read, byte for byte.

    ID is a backup's, or inside a job 'donor', 'original/eeprom' and so on; the file is then in
    the order and format in which the reader wrote it, and the journal tells of it. Where the
    first store has lost it, the second one (--also) is asked.
    """
    stores = find_stores(store, also)
    backups = stores.store
    opened = _job_around(job, stores)
    entry = restoring.find_backup(backups, opened, backup_id)
    if number > len(entry.reads):
        raise UsageError(
            f"backup {entry.id} has {count_of(len(entry.reads), 'read')}",
            code="no-such-read",
            next_step="see 'benchimage backup list'",
        )
    read = entry.reads[number - 1]
    done = restoring.restore_backup(
        backups,
        opened,
        entry,
        number=number - 1,
        to=None if to is None else ImageFormat(to),
        out=out,
        now=clock(),
    )
    start = done.parsed.image.segments[0].start
    result = document(
        "backup-restore",
        id=entry.id,
        read=number,
        out=str(out),
        format=done.format,
        base=start,
        file_sha256=done.sha256,
        sha256=read.sha256,
        very_file=done.very_file,
    )
    if as_json:
        print_json(result)
        return 0
    say(backup_view.render_restored(done, str(out), image_sha256=read.sha256))
    if start and done.format == "raw":
        note(f"A raw file keeps no address: its first byte belongs to {format_address(start)}.")
    if opened is not None:
        step = NextStep(
            text="write it with your programmer, read the module again and check it",
            commands=("benchimage check READ --stage restored",),
        )
        say_next(step, in_job=True)
    else:
        base = f" --base {format_address(start)}" if start and done.format == "raw" else ""
        command = f"benchimage inspect {quoted(out)}{base}"
        say_next(NextStep(text="see what is in it", commands=(command,)))
    return 0


def _job_around(folder: Path | None, stores: StorePlace) -> OpenJob | None:
    """The job that a backup command runs in. A broken journal stops no backup, and is named.

    Raises:
        MemtoolError: the job was named, and cannot be opened.
    """
    try:
        return open_context(job=folder, stores=stores).opened
    except MemtoolError as error:
        if folder is not None:
            raise
        note(f"Note: the job here cannot be opened, so this was not recorded in it: {error}")
        return None


def _tell_job(
    stores: StorePlace, command: str, facts: Mapping[str, Any], reads: Sequence[LoadedRead] = ()
) -> None:
    """Add the run to the journal of the job that it ran in. A failure here undoes no backup."""
    opened = _job_around(None, stores)
    if opened is None:
        return
    event = kinds.CommandRun(command=command, details=dict(facts))
    files = [(read.path, read.file_sha256) for read in reads]
    try:
        jobs.append_event(opened, event, files=files, now=clock())
    except MemtoolError as error:
        note(f"Note: this was not recorded in the job's journal: {error}")


def _judge(
    loaded: list[LoadedRead], single_read: str | None, *, role: Role, chip: Chip
) -> tuple[Finding, ...]:
    findings = [finding for read in loaded for finding in read.findings]
    health = all_checks.find_faults(loaded[0].image, chip=chip, claimed_new=role is Role.REFERENCE)
    findings += terminal.weighty(health)
    if len(loaded) == 1 and single_read is None:
        findings.append(
            Finding(
                code="single-read",
                severity=Severity.WARNING,
                text="This is a single read, so nothing shows whether it is good: remove and "
                "refit the clip, read once more, and add both reads together.",
            )
        )
    findings += find_repeated(loaded)
    findings += agreement.compare_reads([read.image for read in loaded]).findings
    return tuple(findings)
