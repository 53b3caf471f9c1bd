"""Review a layout: answers are kept as they come, and the reviewed layout is a new file.

The file under review is never changed. Each answer is an entry of a journal beside it
(``door.toml.review.jsonl``) that names the file's digest: answers to another version of the
file do not count. The last answer to a name is the one that holds; one that was taken back
leaves its guess open.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import BLANKABLE, FieldType, RegionKind
from memtool.core.near import suggest
from memtool.errors import InputError, JournalError, LayoutError, UsageError
from memtool.formats.layout_toml.drafts import GuessText, edit_layout_text, read_guess_texts
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.render.text.review_view import render_reviewed
from memtool.store.journal import JournalEntry, JournalFile, append_entry, read_journal
from memtool.store.layouts import LoadedLayout, read_layout
from memtool.store.reading import compute_sha256
from memtool.workflow.context import Context
from memtool.workflow.jobs import OpenJob, free_path, stamp
from memtool.workflow.writing import NewFile, choose_path

_KIND = "guess-answered"
_TAKEN_BACK = "taken-back"
"""Stands in the place of an answer: the guess is open again."""
_TOGETHER = frozenset(
    kind.value for kind in RegionKind if kind not in BLANKABLE or kind is RegionKind.UNUSED
)
"""Kinds that `blank` leaves alone: one yes may answer many of them."""


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

    def alike(self, guess: GuessText) -> tuple[GuessText, ...]:
        """Open guesses that may be answered with `guess` by one yes, itself among them.

        Those of one kind with the same evidence but for numbers and names, of kinds that no
        blanking changes; and the copies of one VIN, equally sure and blanked to the same value.
        Whatever else may be erased is looked at one by one.
        """
        if guess.table != "region":
            return ()
        if guess.values.get("kind") not in _TOGETHER and not _is_vin(guess):
            return ()
        return tuple(each for each in self.open if _sameness(each) == _sameness(guess))

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


def _is_vin(guess: GuessText) -> bool:
    """Whether it is a whole VIN of a vehicle."""
    kind, type_ = guess.values.get("kind"), guess.values.get("type")
    return kind == RegionKind.VEHICLE_IDENTITY.value and type_ == FieldType.VIN.value


def _blank_to(guess: GuessText) -> str:
    return str(guess.values.get("blank_to"))


def _sameness(guess: GuessText) -> tuple[object, ...]:
    """What two guesses share that are one question to a person."""
    values = guess.values
    if _is_vin(guess):
        first = values.get("copy_of", guess.name)
        sure = guess.comments[:1]
        return (guess.table, values.get("kind"), values.get("type"), first, sure, _blank_to(guess))
    words = (re.sub(r"'[^']*'|0x[0-9A-Fa-f]+|[0-9]+", "#", line) for line in guess.comments)
    return (guess.table, guess.values.get("kind"), guess.values.get("type"), *words)


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
                if entry.facts.get("answer") == _TAKEN_BACK:
                    answers.pop(str(entry.facts.get("name")), None)
                else:
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
        _keep(review, name, given.answer.value, dict(given.change) or None, by, now)
    return merged


def _keep(
    review: Review, name: str, answer: str, change: Mapping[str, Any] | None, by: str, now: datetime
) -> None:
    append_entry(
        review.progress,
        kind=_KIND,
        facts={
            "layout": review.loaded.sha256,
            "name": name,
            "answer": answer,
            "change": change,
            "by": by,
        },
        files=[JournalFile(path=review.path.name, sha256=review.loaded.sha256)],
        time=stamp(now),
    )


def take_back(review: Review, names: Sequence[str], *, by: str, now: datetime) -> Review:
    """Open guesses again that were answered; kept like an answer."""
    for name in names:
        _keep(review, name, _TAKEN_BACK, None, by, now)
    left = {name: given for name, given in review.answers.items() if name not in names}
    return replace(review, answers=left)


def layout_with_answers(review: Review) -> Layout:
    """The layout as it is with all that was answered; what is open counts as guessed."""
    return parse_layout(_edited(review, None))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviewed:
    """The layout that came out."""

    review: Review
    out: Path
    sha256: str
    layout: Layout
    by: str
    date: str
    opened: OpenJob | None
    """The job with the run on record; None outside a job."""


def tell_reviewed(done: Reviewed) -> str:
    """What a finished review made of the guesses."""
    return render_reviewed(
        str(done.out),
        by=done.by,
        date=done.date,
        accepted=done.review.names(Answer.ACCEPT),
        changed=done.review.names(Answer.CHANGE),
        rejected=done.review.names(Answer.REJECT),
    )


def finish_review(
    review: Review, out: Path | None, context: Context, *, by: str, now: datetime
) -> Reviewed:
    """Write the reviewed layout, to `out` or as a numbered file beside the draft; note the run.

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
        out = _choose_out(review.path.parent, f"{stem}-reviewed", text, context.opened)
    new = NewFile(path=out, data=text.encode())
    opened = context.record(
        "layout review",
        {"out": str(out), "sha256": new.sha256, "chip": layout.chip},
        files=[(review.loaded.path, review.loaded.sha256)],
        new=[new],
    )
    return Reviewed(
        review=review,
        out=out,
        sha256=new.sha256,
        layout=layout,
        by=by,
        date=date,
        opened=opened,
    )


def _choose_out(folder: Path, stem: str, text: str, opened: OpenJob | None) -> Path:
    """The next free name; in a job also the one where a cut-off run has written this text."""
    if opened is None:
        return free_path(folder, stem, ".toml")
    return choose_path(opened, folder, stem, ".toml", compute_sha256(text.encode()))


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
