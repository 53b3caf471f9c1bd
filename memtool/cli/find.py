"""`benchimage find`: every place and stored form of an identity."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from memtool.cli.place import job_option
from memtool.cli.progress import at_work
from memtool.cli.reading import Reading, note_oddities, reading_options
from memtool.cli.shared import print_json, say, say_next
from memtool.cli.types import IMAGE
from memtool.core.job.leftovers import is_telling
from memtool.core.texts.known_identity import IdentityMatch, find_identity, normalise_identity
from memtool.core.words import count_of
from memtool.errors import UsageError
from memtool.render.json.as_json import document, span_value
from memtool.render.text.identity_text import render_matches
from memtool.render.text.next_steps import NextStep, quoted


@click.command(
    epilog="""Examples:

\b
  benchimage find 1G4AH59H45G118341 donor.bin
  benchimage find 1G4AH59H45G118341 donor.bin to-write.bin --json
  benchimage find DZ-4117-C2 donor to-write --job order-17

Inside a job 'original', 'donor', 'reference' and 'to-write' stand for its images.
Exit status 0 even if nothing is found.""",
)
@click.argument("text")
@click.argument("images", metavar="IMAGE...", nargs=-1, required=True, type=IMAGE)
@job_option
@reading_options
def command(
    text: str,
    images: tuple[str, ...],
    reading: Reading,
    as_json: bool,
) -> int:
    """Find every place and stored form of an identity: a VIN, a serial or a part number.

    It is looked for whole and by its last 8, 6 and 5 characters, as text in every stored
    form, as BCD and as an integer. Each match says how often chance alone would give it.
    """
    identity = _require_identity(text, images)
    context = reading.open()
    with at_work("reading"):
        loaded = context.load_all(images)
    note_oddities(loaded)
    with at_work("looking for the identity"):
        found = [(read.path, find_identity(read.image, identity)) for read in loaded]
    telling = sum(is_telling(match) for _, matches in found for match in matches)
    context.record("find", {"telling_matches": telling}, reads=loaded)
    if as_json:
        values = [_value(path, match) for path, matches in found for match in matches]
        print_json(document("find", matches=values))
        return 0
    if len(found) > 1:
        holding = sum(any(map(is_telling, matches)) for _, matches in found)
        say(f"Found for certain in {holding} of {count_of(len(found), 'image')}.\n")
    say("\n\n".join(render_matches(path, matches) for path, matches in found))
    if any(matches for _, matches in found):
        command = f"benchimage inspect {quoted(images[0])}"
        say_next(NextStep(text="see what else the image holds", commands=(command,)), in_job=True)
    return 0


def _require_identity(text: str, images: tuple[str, ...]) -> str:
    # Whoever forgets the text would else be told that an image does not hold another one's name.
    if Path(text).is_file():
        given = " ".join(map(quoted, (text, *images)))
        raise UsageError(
            f"'{text}' is a file, and what to look for comes first",
            code="no-identity",
            next_step=f"type 'benchimage find TEXT {given}', TEXT being a VIN, a serial or a part"
            " number",
        )
    try:
        return normalise_identity(text)
    except ValueError as error:
        raise UsageError(
            f"this text cannot be searched for: {error}",
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
