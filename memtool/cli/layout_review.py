"""`benchimage layout review`: a person says yes, no or change to each guess of a layout."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from memtool.cli.next_of_job import say_next_of
from memtool.cli.place import job_option
from memtool.cli.reading import Reading, reading_options
from memtool.cli.review_dialogue import ReviewDialogue
from memtool.cli.session import ask, can_ask
from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import IMAGE, PATH, SPAN
from memtool.core.span import Span, format_span
from memtool.core.words import count_of
from memtool.errors import UsageError
from memtool.render.json.as_json import document, span_value
from memtool.render.text.review_view import (
    next_after_review,
)
from memtool.render.words import safe_text
from memtool.workflow.context import Context, clock
from memtool.workflow.releasing import release_region
from memtool.workflow.reviewing import (
    Answer,
    Answered,
    Review,
    Reviewed,
    finish_review,
    give_answers,
    open_review,
    tell_reviewed,
)
from memtool.workflow.showing import find_hidden, load_shown
from memtool.workflow.writing import require_free


@click.command(
    epilog="""Examples:

\b
  benchimage layout review door.toml
  benchimage layout review door.toml --image a.bin --image b.bin --by 'N. N.'
  benchimage layout review door.toml --by 'N. N.' --accept 'VIN' --reject 'date at 0x001D'

At a terminal each guess is one screen: y, n, c to change it, b to go back, a for all that are
alike, q to stop. What was answered is kept in FILE.review.jsonl, and the next call goes on
from there. FILE itself is never changed: the reviewed layout is a new file.""",
)
@click.argument("file", type=PATH)
@click.option(
    "--image",
    "images",
    multiple=True,
    metavar="IMAGE",
    type=IMAGE,
    help="Show the bytes of this image.",
)
@click.option("--accept", multiple=True, metavar="NAME", help="Say yes to this guess.")
@click.option("--reject", multiple=True, metavar="NAME", help="Say no to this guess.")
@click.option("--by", metavar="NAME", help="Who reviews; default in a job: its technician.")
@click.option(
    "--release",
    type=SPAN,
    metavar="SPAN",
    help="In a job: this region is not the module's identity, whatever another layout says.",
)
@click.option("--reason", help="Why it is not.")
@click.option("--out", type=PATH, help="File to create; default: FILE-reviewed-1.toml and so on.")
@job_option
@reading_options
def command(
    file: Path,
    images: tuple[str, ...],
    accept: tuple[str, ...],
    reject: tuple[str, ...],
    by: str | None,
    release: Span | None,
    reason: str | None,
    out: Path | None,
    reading: Reading,
    as_json: bool,
) -> int:
    """Ask a person about every guess of a layout, and mark the layout as reviewed.

    Inside a job the images of its modules are shown; otherwise give --image.
    """
    review = open_review(file)
    context = reading.open(base=review.loaded.layout.base)
    opened = context.opened
    require_free(out, opened)
    asking = can_ask() and not as_json
    by = by or (opened.job.order.technician if opened else None)
    if by is None:
        if not asking:
            raise UsageError(
                "the reviewer is not named", code="missing-answer", next_step="give --by NAME"
            )
        by = ask("Who reviews")
    if release is not None:
        return _release(context, review, release, by, reason, as_json=as_json)
    if reason is not None:
        raise UsageError("--reason goes with --release SPAN", code="usage")
    # An image of another memory is refused before any answer is kept.
    shown = (
        load_shown(context, images, review.loaded.layout.chip)
        if images or (asking and review.open)
        else []
    )
    review = give_answers(review, _from_options(accept, reject), by=by, now=clock())
    if review.open and asking:
        hidden = find_hidden(
            context.opened, review.loaded.layout.chip, [named.image for named in shown]
        )
        review = ReviewDialogue(review, shown, by, hidden=hidden).run()
        if review.open:
            left = count_of(len(review.open), "guess", "guesses")
            note(f"Stopped; {left} open. The same command goes on from here.")
            return 1
    done = finish_review(review, out, context, by=by, now=clock())
    if as_json:
        print_json(_document(done))
    else:
        say(tell_reviewed(done))
        if done.opened is None:
            say_next(next_after_review(str(done.out), in_job=False))
        else:
            say_next_of(done.opened.job)
    return 0


def _release(
    context: Context,
    review: Review,
    span: Span,
    by: str,
    reason: str | None,
    *,
    as_json: bool,
) -> int:
    """Record the release of one region, and leave the guesses as they are."""
    made = release_region(
        context.require_job(), review.loaded, span, name=by, reason=reason, now=clock()
    )
    if as_json:
        print_json(
            document(
                "layout-review",
                path=str(review.path),
                out=None,
                sha256=review.loaded.sha256,
                name=review.loaded.layout.name,
                by=made.name,
                date=made.time[:10],
                accepted=[],
                changed=[],
                rejected=[],
                released={**span_value(made.span), "reason": made.reason},
            )
        )
        return 0
    say(
        safe_text(
            f"{made.name} released {format_span(made.span)}, as journal entry {made.number}:"
            f" {made.reason}"
        )
    )
    note("The report says so. What any layout calls protected is never released.")
    return 0


def _from_options(accept: tuple[str, ...], reject: tuple[str, ...]) -> dict[str, Answered]:
    both = sorted(set(accept) & set(reject))
    if both:
        raise UsageError(
            f"'{both[0]}' is both accepted and rejected",
            code="usage",
            next_step="give one of the two",
        )
    answers = {name: Answered(answer=Answer.ACCEPT) for name in accept}
    return answers | {name: Answered(answer=Answer.REJECT) for name in reject}


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
        released=None,
    )
