"""The words of the layout screens: guesses in a list, and what the images hold in one."""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.memory_map import PRECEDENCE
from memtool.core.span import Span, format_span
from memtool.core.words import count_of
from memtool.formats.layout_toml.drafts import GuessText
from memtool.render.text.next_steps import one_line
from memtool.render.text.review_view import next_after_review
from memtool.render.values import name_words
from memtool.render.words import safe_text
from memtool.workflow.reviewing import Answer, Review, Reviewed, tell_reviewed

_ANSWERS = {Answer.ACCEPT: "yes", Answer.REJECT: "no", Answer.CHANGE: "changed"}
_NOT_ANSWERED = "open"
_STORE = "store of records"


def span_of(layout: Layout, guess: GuessText) -> Span:
    """Where a guess lies: its region, the checksum's field, the store."""
    region = layout.region_named(guess.name)
    if region is not None:
        return region.span
    return next(each.span for each in layout.records if each.name == guess.name)


def kind_of(layout: Layout, guess: GuessText) -> RegionKind | None:
    """The kind of a guess's region; None: a store of records."""
    region = layout.region_named(guess.name)
    return None if region is None else region.kind


def group_guesses(review: Review) -> Iterator[tuple[str, list[GuessText]]]:
    """(heading, guesses) by kind and by how sure they are; inside by address."""
    layout = review.loaded.layout
    groups: dict[tuple[int, str, str], list[GuessText]] = {}
    for guess in review.guesses:
        kind = kind_of(layout, guess)
        sure = f", {guess.comments[0]}" if guess.comments else ""
        rank = -1 if kind is None else PRECEDENCE.index(kind)
        words = _STORE if kind is None else name_words(kind)
        groups.setdefault((rank, words, sure), []).append(guess)
    for (_, words, sure), guesses in sorted(groups.items(), key=lambda item: item[0][0]):
        yield (
            safe_text(f"{words}{sure}"),
            sorted(guesses, key=lambda guess: span_of(layout, guess).start),
        )


def guess_words(review: Review, guess: GuessText) -> str:
    """One line of the list: the answer, where, the name."""
    given = review.answers.get(guess.name)
    answer = _NOT_ANSWERED if given is None else _ANSWERS[given.answer]
    where = format_span(span_of(review.loaded.layout, guess))
    return f"{answer:<7}  {where:<15}  {safe_text(guess.name)}"


def progress_words(review: Review) -> str:
    """How many guesses are answered."""
    return f"{len(review.answers)} of {count_of(len(review.guesses), 'guess', 'guesses')} answered"


def done_words(done: Reviewed, *, in_job: bool) -> str:
    """What a finished review came to, and what is next."""
    step = next_after_review(str(done.out), in_job=in_job)
    return f"{tell_reviewed(done)}\n\nNext: {one_line(step)}"
