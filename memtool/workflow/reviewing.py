"""Review a layout: answers are kept as they come, and the reviewed layout is a new file.

The file under review is never changed. Each answer is an entry of a journal beside it
(``door.toml.review.jsonl``) that names the file's digest: answers to another version of the
file do not count. The last answer to a name is the one that holds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import BLANKABLE
from memtool.core.near import suggest
from memtool.errors import InputError, JournalError, LayoutError, RefusalError, UsageError
from memtool.store.drafts import GuessText, edit_layout_text, read_guess_texts
from memtool.store.journal import JournalEntry, JournalFile, append_entry, read_journal
from memtool.store.layout_files.layouts import LoadedLayout, parse_layout, read_layout
from memtool.store.writing import write_new
from memtool.workflow.jobs import free_path, stamp

_KIND = "guess-answered"


class Answer(StrEnum):
    """What a person says of one guess."""

    ACCEPT = "accept"
    REJECT = "reject"
    CHANGE = "change"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """One answer."""

    answer: Answer
    change: Mapping[str, Any] = field(default_factory=dict)
    """Keys with new values, None for one that goes; of `CHANGE` alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """A layout under review and what has been answered."""

    path: Path
    loaded: LoadedLayout
    text: str
    guesses: tuple[GuessText, ...]
    answers: Mapping[str, Answered]
    """By name of region or checksum."""

    @property
    def open(self) -> tuple[GuessText, ...]:
        """What nobody has answered, in the order of the file."""
        return tuple(guess for guess in self.guesses if guess.name not in self.answers)

    def names(self, answer: Answer) -> tuple[str, ...]:
        """The names that were answered so, in the order of the file."""
        return tuple(
            guess.name
            for guess in self.guesses
            if guess.name in self.answers and self.answers[guess.name].answer is answer
        )

    @property
    def progress(self) -> Path:
        """The journal of the answers."""
        return progress_path(self.path)


def progress_path(path: Path) -> Path:
    """Where the answers to a layout file are kept."""
    return path.with_name(f"{path.name}.review.jsonl")


def open_review(path: Path) -> Review:
    """Read a layout and the answers that were given to it.

    Raises:
        UsageError: there is no such file.
        LayoutError: it is no valid layout.
        JournalError: the answers were changed by hand.
    """
    loaded = read_layout(path)
    text = loaded.data.decode()
    guesses = read_guess_texts(text)
    answers: dict[str, Answered] = {}
    if progress_path(path).exists():
        for entry in read_journal(progress_path(path)):
            if entry.kind == _KIND and entry.facts.get("layout") == loaded.sha256:
                answers |= _answer_of(entry, path)
    known = {guess.name for guess in guesses}
    answers = {name: given for name, given in answers.items() if name in known}
    return Review(path=path, loaded=loaded, text=text, guesses=guesses, answers=answers)


def _answer_of(entry: JournalEntry, path: Path) -> dict[str, Answered]:
    facts: Mapping[str, Any] = entry.facts
    try:
        answered = Answered(answer=Answer(facts["answer"]), change=dict(facts["change"] or {}))
        if not all(_can_be_a_value(value) for value in answered.change.values()):
            raise TypeError("'change'")
        return {str(facts["name"]): answered}
    except (KeyError, TypeError, ValueError) as error:
        raise JournalError(
            f"entry {entry.number} lacks or garbles {error}",
            code="journal-content",
            file=str(progress_path(path)),
        ) from error


def _can_be_a_value(value: object) -> bool:
    """Whether a layout file can have it behind a key; whether it may is judged with the rest."""
    if isinstance(value, list | dict):
        parts = value.values() if isinstance(value, dict) else value
        return all(isinstance(part, str) for part in parts)
    return value is None or isinstance(value, str | int)


def give_answers(
    review: Review, answers: Mapping[str, Answered], *, by: str, now: datetime
) -> Review:
    """Keep answers at once; the review with them.

    Raises:
        UsageError: a name is none of the layout's.
        LayoutError: a change makes no valid layout; nothing is kept.
        StoreError: not written.
    """
    names = [guess.name for guess in review.guesses]
    for name in answers:
        if name not in names:
            raise UsageError(
                f"'{name}' is no region or checksum of {review.path}{suggest(name, names)}",
                code="no-such-guess",
                next_step="'benchimage layout show FILE' lists them",
            )
    merged = replace(review, answers={**review.answers, **answers})
    if any(given.answer is Answer.CHANGE for given in answers.values()):
        _edited(merged, None)
    for name, given in answers.items():
        append_entry(
            review.progress,
            kind=_KIND,
            facts={
                "layout": review.loaded.sha256,
                "name": name,
                "answer": given.answer.value,
                "change": dict(given.change) or None,
                "by": by,
            },
            files=[JournalFile(path=review.path.name, sha256=review.loaded.sha256)],
            time=stamp(now),
        )
    return merged


def fold_change(guess: GuessText, change: Mapping[str, Any]) -> dict[str, Any]:
    """A change without what stays the same, and without a blank value where none may be."""
    folded = {key: value for key, value in change.items() if guess.values.get(key) != value}
    kind = str(folded.get("kind", guess.values.get("kind", "")))
    if guess.table == "region" and "blank_to" in guess.values and kind not in tuple(BLANKABLE):
        folded["blank_to"] = None
    return folded


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviewed:
    """The layout that came out."""

    review: Review
    out: Path
    sha256: str
    layout: Layout
    by: str
    date: str


def finish_review(review: Review, out: Path | None, *, by: str, now: datetime) -> Reviewed:
    """Write the reviewed layout: to `out`, or as a numbered file beside the draft.

    Raises:
        UsageError: something is still open, or the name is no name.
        LayoutError: what is left is no valid layout.
        RefusalError: `out` exists.
    """
    require_nothing_open(review)
    date = now.date().isoformat()
    words = f"by {_as_name(by)}, {date}: {_count_words(review)}"
    text = _edited(review, words)
    layout = parse_layout(text)
    if out is None:
        stem = review.path.name.removesuffix(".toml")
        out = free_path(review.path.parent, f"{stem}-reviewed", ".toml")
    digest = write_new(out, text.encode())
    return Reviewed(review=review, out=out, sha256=digest, layout=layout, by=by, date=date)


def require_nothing_open(review: Review) -> None:
    """Raise what an unfinished review stands for.

    Raises:
        UsageError: names what is open.
    """
    names = [guess.name for guess in review.open]
    if not names:
        return
    shown = ", ".join(f"'{name}'" for name in names[:5])
    more = "" if len(names) <= 5 else f" and {len(names) - 5} more"
    raise UsageError(
        f"{len(names)} of {len(review.guesses)} guesses are open: {shown}{more}",
        code="missing-answer",
        next_step="give --accept NAME or --reject NAME for each, or run it at a terminal;"
        " what was answered is kept",
    )


def require_free(out: Path | None) -> None:
    """Refuse a file that exists before anything is asked.

    Raises:
        RefusalError: `out` exists.
    """
    if out is not None and (out.exists() or out.is_symlink()):
        raise RefusalError(
            f"'{out}' exists", code="output-exists", next_step="name a new file with --out"
        )


def _edited(review: Review, words: str | None) -> str:
    """The file's text with all answers; judged as a whole.

    Raises:
        LayoutError: it is no valid layout.
    """
    text = edit_layout_text(
        review.text,
        remove=review.names(Answer.REJECT),
        change={name: review.answers[name].change for name in review.names(Answer.CHANGE)},
        reviewed=words,
    )
    try:
        parse_layout(text)
    except LayoutError as error:
        error.file = str(review.path)
        raise
    return text


def _as_name(text: str) -> str:
    name = " ".join(text.split())
    if not name or not name.isprintable():
        raise UsageError(
            "the reviewer's name is empty or not printable",
            code="reviewer",
            next_step="give --by NAME",
        )
    return name


def _count_words(review: Review) -> str:
    counts = [f"{len(review.names(Answer.ACCEPT))} accepted"]
    for answer, word in ((Answer.CHANGE, "changed"), (Answer.REJECT, "rejected")):
        if names := review.names(answer):
            counts.append(f"{len(names)} {word}")
    return ", ".join(counts)


def list_faults(error: InputError) -> Sequence[str]:
    """What is wrong with a change, as sentences without full stop."""
    return [fault.text for fault in error.faults] or [error.message]
