"""`benchimage find`: every place and stored form of an identity."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from memtool.cli.progress import at_work
from memtool.cli.session import clock, current_job, open_store, read_options
from memtool.cli.shared import PATH, note, print_json, reading_options
from memtool.core.identity.known_identity import IdentityMatch, find_identity, normalise_identity
from memtool.errors import UsageError
from memtool.render.as_json import document, span_value
from memtool.render.identity_text import render_matches
from memtool.render.words import safe_text
from memtool.workflow.jobs import load_named, record


@click.command(
    epilog="""Examples:

\b
  benchimage find 1G4AH59H45G118341 donor.bin
  benchimage find 1G4AH59H45G118341 donor.bin to-write.bin --json
  benchimage find DZ-4117-C2 donor to-write --job order-17

Inside a job 'original', 'donor', 'reference' and 'to-write' stand for its images.
Ends with 0 also where nothing is found.""",
)
@click.argument("text")
@click.argument("images", metavar="IMAGE...", nargs=-1, required=True)
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@reading_options
def command(
    text: str,
    images: tuple[str, ...],
    job: Path | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Find every place and stored form of an identity: a VIN, a serial or a part number.

    It is looked for whole and by its last 8, 6 and 5 characters, as text in every stored
    form, as BCD and as an integer. Each match says how often chance alone would give it.
    """
    options = read_options(read_format, base=base, overlap=overlap)
    identity = _require_identity(text)
    opened, backups = current_job(job), open_store(store)
    loaded = [load_named(name, options, opened=opened, store=backups, chip=chip) for name in images]
    for read in loaded:
        for finding in read.findings:
            note(safe_text(f"{read.path}: {finding.severity.value}: {finding.text}"))
    with at_work("looking for the identity"):
        found = [(read.path, find_identity(read.image, identity)) for read in loaded]
    if opened is not None:
        telling = sum(match.is_telling for _, matches in found for match in matches)
        facts = {"command": "find", "telling_matches": telling}
        files = [(read.path, read.file_sha256) for read in loaded]
        record(opened, "command-run", facts, files=files, now=clock())
    if as_json:
        values = [_value(path, match) for path, matches in found for match in matches]
        print_json(document("find", matches=values))
        return 0
    click.echo("\n\n".join(render_matches(path, matches) for path, matches in found))
    if any(matches for _, matches in found):
        note("Next: 'benchimage inspect IMAGE' shows what else the image holds.")
    return 0


def _require_identity(text: str) -> str:
    try:
        return normalise_identity(text)
    except ValueError as error:
        raise UsageError(
            f"this text cannot be looked for: {error}",
            code="no-identity",
            next_step="give a VIN, a serial or a part number",
        ) from error


def _value(path: str, match: IdentityMatch) -> dict[str, Any]:
    return {
        "image": path,
        **span_value(match.span),
        "stored_as": match.stored_as,
        "part": match.part.value,
        "coding": match.coding.value,
        "expected_by_chance": match.expected_by_chance,
    }
