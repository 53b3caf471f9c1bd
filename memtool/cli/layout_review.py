"""`benchimage layout review`: a person says yes, no or change to each guess of a layout."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path
from typing import Any

import click

from memtool.cli.layout_images import reading_of
from memtool.cli.session import ask, can_ask, clock, current_job, open_store
from memtool.cli.shared import PATH, note, print_json, reading_options
from memtool.core.backup import Role
from memtool.core.layouts.region import RegionKind
from memtool.errors import LayoutError, UsageError
from memtool.render.as_json import document
from memtool.render.review_view import NamedImage, render_guess
from memtool.render.words import count_of, safe_text
from memtool.store.backups import BackupStore
from memtool.store.drafts import GuessText
from memtool.workflow.jobs import OpenJob, load_named, load_role, record
from memtool.workflow.loading import ReadOptions
from memtool.workflow.reviewing import (
    Answer,
    Answered,
    Review,
    Reviewed,
    finish_review,
    fold_change,
    give_answers,
    list_faults,
    open_review,
    require_free,
)

_KEYS = {
    "region": ("name", "kind", "span", "type", "stored_as", "copy_of", "blank_to"),
    "checksum": ("name", "algorithm", "covers", "stored", "byte_order", "when_blanked"),
}
_QUESTION = "yes, no, change, back, quit"
_ALL = "yes to all empty runs: all"


@click.command(
    epilog="""Examples:

\b
  benchimage layout review door.toml
  benchimage layout review door.toml --image a.bin --image b.bin --by 'N. N.'
  benchimage layout review door.toml --by 'N. N.' --accept 'VIN' --reject 'date at 0x001D'

At a terminal each guess is one screen: y, n, c to change it, b to go back, q to stop. What
was answered is kept in FILE.review.jsonl, and the next call goes on from there. FILE itself
is never changed: the reviewed layout is a new file.""",
)
@click.argument("file", type=PATH)
@click.option("--image", "images", multiple=True, metavar="IMAGE", help="Show what it holds.")
@click.option("--accept", multiple=True, metavar="NAME", help="Yes to this guess.")
@click.option("--reject", multiple=True, metavar="NAME", help="No to this guess.")
@click.option("--by", metavar="NAME", help="Who reviews; inside a job its technician.")
@click.option("--out", type=PATH, help="File to write; otherwise FILE-reviewed-1.toml and so on.")
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@reading_options
def command(
    file: Path,
    images: tuple[str, ...],
    accept: tuple[str, ...],
    reject: tuple[str, ...],
    by: str | None,
    out: Path | None,
    job: Path | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Ask a person about every guess of a layout, and mark the layout as reviewed.

    Inside a job the images of its modules are shown; otherwise give --image.
    """
    require_free(out)
    opened = current_job(job)
    review = open_review(file)
    asking = can_ask() and not as_json
    by = by or (opened.job.order.technician if opened else None)
    if by is None:
        if not asking:
            raise UsageError(
                "the reviewer is not named", code="missing-answer", next_step="give --by NAME"
            )
        by = ask("Who reviews")
    review = give_answers(review, _from_options(accept, reject), by=by, now=clock())
    if review.open and asking:
        options = reading_of(review.loaded, read_format=read_format, overlap=overlap, base=base)
        shown = _images(images, opened, open_store(store), options, chip)
        review = _Dialogue(review, shown, by).run()
        if review.open:
            left = count_of(len(review.open), "guess", "guesses")
            note(f"Stopped; {left} open. The same command goes on from here.")
            return 1
    done = finish_review(review, out, by=by, now=clock())
    if opened is not None:
        facts = {"command": "layout review", "out": str(done.out), "sha256": done.sha256}
        files = [(review.loaded.path, review.loaded.sha256)]
        record(opened, "command-run", facts, files=files, now=clock())
    if as_json:
        print_json(_document(done))
    else:
        click.echo(_summary(done))
        note(f"Next: {_next_step(done, opened)}")
    return 0


def _from_options(accept: tuple[str, ...], reject: tuple[str, ...]) -> dict[str, Answered]:
    both = sorted(set(accept) & set(reject))
    if both:
        raise UsageError(
            f"'{both[0]}' is accepted and rejected",
            code="usage",
            next_step="give one of the two",
        )
    answers = {name: Answered(answer=Answer.ACCEPT) for name in accept}
    return answers | {name: Answered(answer=Answer.REJECT) for name in reject}


def _images(
    names: tuple[str, ...],
    opened: OpenJob | None,
    store: BackupStore,
    options: ReadOptions,
    chip: str | None,
) -> list[NamedImage]:
    """Those that were named; inside a job otherwise all of its modules'."""
    found = [
        NamedImage(
            name=name,
            image=load_named(name, options, opened=opened, store=store, chip=chip).image,
        )
        for name in names
    ]
    if not names and opened is not None:
        for role in Role:
            kept = load_role(opened, store, role, chip)
            if kept is not None:
                found.append(NamedImage(name=role.value, image=kept[1].image))
    return found


class _Dialogue:
    """Asks about one open guess after the other, and keeps each answer at once."""

    def __init__(self, review: Review, images: list[NamedImage], by: str) -> None:
        self._review = review
        self._images = images
        self._by = by
        self._trail: list[str] = []
        """Names answered in this sitting, for going back."""

    def run(self) -> Review:
        """Until nothing is open or the person stops."""
        asked: GuessText | None = None
        while asked is not None or self._review.open:
            guess = asked or self._review.open[0]
            asked = None
            self._show(guess)
            is_empty = guess.values.get("kind") == RegionKind.UNUSED.value
            key = ask(f"{_QUESTION}{f', {_ALL}' if is_empty else ''}").lower()[:1]
            match key:
                case "y":
                    self._give(guess, Answered(answer=Answer.ACCEPT))
                case "n":
                    self._give(guess, Answered(answer=Answer.REJECT))
                case "c":
                    self._change(guess)
                case "a" if is_empty:
                    self._accept_empty()
                case "b" if self._trail:
                    name = self._trail.pop()
                    asked = next(each for each in self._review.guesses if each.name == name)
                case "q":
                    return self._review
                case "b":
                    note("Nothing was answered in this sitting yet.")
                    asked = guess
                case _:
                    note("Type y, n, c, b or q, then Enter.")
                    asked = guess
        return self._review

    def _show(self, guess: GuessText) -> None:
        if sys.stdout.isatty() and os.environ.get("TERM", "dumb") != "dumb":
            click.clear()
        guesses = self._review.guesses
        click.echo(
            render_guess(
                self._review.loaded.layout,
                guess.name,
                guess.comments,
                self._images,
                place=guesses.index(guess) + 1,
                total=len(guesses),
                height=shutil.get_terminal_size((80, 24)).lines,
            )
        )

    def _give(self, guess: GuessText, answered: Answered) -> None:
        self._review = give_answers(self._review, {guess.name: answered}, by=self._by, now=clock())
        self._trail.append(guess.name)

    def _accept_empty(self) -> None:
        """Yes to every empty run that is still open; they change nothing."""
        for guess in self._review.open:
            if guess.values.get("kind") == RegionKind.UNUSED.value:
                self._give(guess, Answered(answer=Answer.ACCEPT))

    def _change(self, guess: GuessText) -> None:
        """Ask for every key anew; a wrong value is told and nothing is kept."""
        note("Enter keeps a value, '-' takes it out.")
        change: dict[str, Any] = {}
        for key in _KEYS[guess.table]:
            old = _as_text(guess.values.get(key))
            answer = ask(key, default=old or "-")
            if answer != (old or "-"):
                change[key] = None if answer == "-" else _as_value(key, answer)
        change = fold_change(guess, change)
        if not change:
            note("Nothing was changed.")
            return
        try:
            self._give(guess, Answered(answer=Answer.CHANGE, change=change))
        except LayoutError as error:
            for text in list_faults(error):
                note(safe_text(f"Not kept: {text}."))
            ask("Enter goes on", default="")


def _as_text(value: object) -> str:
    """A value of the file as a person types it."""
    if value is None:
        return ""
    if isinstance(value, list):
        return ", ".join(str(part) for part in value)
    return f"0x{value:02X}" if isinstance(value, int) else str(value)


def _as_value(key: str, text: str) -> str | int | list[str]:
    if key == "covers":
        return [part.strip() for part in text.split(",")]
    if key == "blank_to" and text.lower().startswith("0x"):
        try:
            return int(text, 16)
        except ValueError:
            return text
    return text


def _summary(done: Reviewed) -> str:
    review = done.review
    lines = [
        f"{safe_text(str(done.out))}: reviewed by {safe_text(done.by)} on {done.date}",
        f"  accepted  {len(review.names(Answer.ACCEPT))}",
    ]
    for answer, word in ((Answer.CHANGE, "changed"), (Answer.REJECT, "rejected")):
        names = ", ".join(f"'{safe_text(name)}'" for name in review.names(answer))
        lines.append(f"  {word:<9} {len(review.names(answer))}{f': {names}' if names else ''}")
    return "\n".join(lines)


def _next_step(done: Reviewed, opened: OpenJob | None) -> str:
    name = safe_text(str(done.out))
    if opened is not None:
        return f"benchimage blank donor --layout {name} --dry-run"
    return f"benchimage layout check {name} --against IMAGE, then benchimage layout add {name}"


def _document(done: Reviewed) -> dict[str, Any]:
    review = done.review
    return document(
        "layout-review",
        path=str(review.path),
        out=str(done.out),
        sha256=done.sha256,
        name=done.layout.name,
        by=done.by,
        date=done.date,
        accepted=list(review.names(Answer.ACCEPT)),
        changed=list(review.names(Answer.CHANGE)),
        rejected=list(review.names(Answer.REJECT)),
    )
