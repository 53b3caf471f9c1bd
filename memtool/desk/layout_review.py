"""The review of a layout: the same answers in the same file as `benchimage layout review`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar

from textual.binding import Binding
from textual.containers import Container, VerticalScroll
from textual.widget import Widget
from textual.widgets import Static

from memtool.desk.dialogs import Ask, Choose
from memtool.desk.keys import KeyBar
from memtool.desk.layout_change import ChangeGuess
from memtool.desk.layout_list import GuessList
from memtool.desk.layout_map import ReviewMap
from memtool.desk.layout_sitting import Sitting
from memtool.desk.layout_words import done_words, progress_words, span_of
from memtool.desk.looks import as_text
from memtool.desk.results import ResultScreen
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session
from memtool.errors import LayoutError
from memtool.formats.layout_toml.drafts import GuessText
from memtool.render.text.desk_words import ALL_ANSWERED, WHO_REVIEWS
from memtool.render.text.review_view import render_guess
from memtool.workflow.reviewing import Answer, Answered, Reviewed, list_faults

_WIDE = 136
"""Columns from which the list stands beside the guess."""
_FINISH = ("write the reviewed layout", "look at the answers again")
_COLUMNS = 80
"""Of the text about a guess."""


class ReviewScreen(DeskScreen):
    """Every guess of a layout, and a person's yes, no or change to each."""

    NAME = "Layout review"
    DEFAULT_CSS = """
    ReviewScreen #both { layout: vertical; height: 1fr; }
    ReviewScreen #guesses { height: 25%; min-height: 5; border-bottom: solid $primary; }
    ReviewScreen #about { height: 1fr; padding: 0; scrollbar-size-vertical: 0; }
    ReviewScreen #guess { text-wrap: nowrap; text-overflow: clip; }
    ReviewScreen.-wide #both { layout: horizontal; }
    ReviewScreen.-wide #guesses { width: 1fr; height: 1fr; border-bottom: none;
        border-right: solid $primary; }
    ReviewScreen.-wide #about { width: 84; padding: 0 0 0 1; }
    """
    BINDINGS: ClassVar[list[Any]] = [
        Binding("y", "yes", "Yes"),
        Binding("n", "no", "No"),
        Binding("c", "change", "Change"),
        Binding("a", "answer_group", "Yes to all alike"),
        Binding("u", "undo", "Undo"),
        Binding("o", "next_open", "Skip"),
        Binding("space", "more", "Read on"),
        Binding("f", "finish", "Finish"),
    ]

    def __init__(
        self, desk: Session, path: Path, job: Path | None = None, *, images: Sequence[str] = ()
    ) -> None:
        """Make it.

        Args:
            desk: Of this sitting.
            path: The layout file.
            job: Folder of the job.
            images: Shown beside each other; in a job none means those of the layout's memory.
        """
        super().__init__(desk, job)
        self.path = path
        self._names = tuple(images)
        self._sitting: Sitting | None = None

    def body(self) -> Iterable[Widget]:
        """The map, the list, the guess under the cursor."""
        yield ReviewMap(id="map")
        with Container(id="both"):
            yield GuessList(id="guesses")
            with VerticalScroll(id="about", can_focus=False):
                yield Static(id="guess")

    def on_mount(self) -> None:
        """Read the layout, the answers that were given, and the images."""
        names, folder = self._names, self.folder
        self._sitting = self.attempt(lambda: Sitting(self.desk, self.path, folder, names))
        if self._sitting is None:
            return
        self.query_one(GuessList).focus()
        self.call_after_refresh(self._begin)
        if self._sitting.by is None:
            self.app.push_screen(Ask(WHO_REVIEWS, fault=_name_fault), self._take_name)

    def _begin(self) -> None:
        self._fill()
        self.action_next_open()

    def _take_name(self, name: str | None) -> None:
        if name is None or self._sitting is None:
            self.dismiss(None)
        else:
            self._sitting.by = name

    def on_resize(self) -> None:
        """The list beside the guess where there is room."""
        self.set_class(self.size.width >= _WIDE, "-wide")
        self.call_after_refresh(self._show_guess)

    def _fill(self) -> None:
        """The list anew, the cursor where it was."""
        if self._sitting is None:
            return
        review = self._sitting.review
        self.query_one(GuessList).show(review)
        self.query_one(KeyBar).show(self)
        self.tell_title(f"{self.NAME} · {self.path.name} · {progress_words(review)}")
        self._show_guess()

    def guess_here(self) -> GuessText | None:
        """The guess under the cursor."""
        return self.query_one(GuessList).guess

    def on_option_list_option_highlighted(self) -> None:
        """The guess follows the cursor."""
        self._show_guess()

    def _show_guess(self) -> None:
        sitting, guess = self._sitting, self.guess_here()
        if sitting is None or guess is None:
            return
        review, layout = sitting.review, sitting.review.loaded.layout
        self.query_one(ReviewMap).show(review, sitting.layout, span_of(layout, guess))
        about = self.query_one("#about")

        def view() -> str:
            return render_guess(
                layout,
                guess.name,
                guess.comments,
                sitting.images,
                place=review.guesses.index(guess) + 1,
                total=len(review.guesses),
                height=max(about.size.height + 1, 12),
                hidden=sitting.hidden,
                alike=[each.name for each in sitting.alike(guess)],
            )

        self.query_one("#guess", Static).update(as_text(view, _COLUMNS))
        about.scroll_home(animate=False)
        # Whether there is more to read is known when the text is laid out.
        self.call_after_refresh(self.query_one(KeyBar).show, self)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """A key is told where it does something."""
        sitting = self._sitting
        if action == "answer_group":
            return sitting is not None and len(sitting.alike(self.guess_here())) > 1
        if action == "undo":
            return sitting is not None and sitting.can_undo
        if action == "finish":
            return sitting is not None and not sitting.review.open
        if action == "more":
            return self.is_mounted and self.query_one("#about").max_scroll_y > 0
        if action == "next_open":
            return sitting is not None and bool(sitting.review.open)
        return True

    def action_yes(self) -> None:
        """Yes to the guess under the cursor; kept at once."""
        self._answer(Answer.ACCEPT)

    def action_no(self) -> None:
        """No to the guess under the cursor; kept at once."""
        self._answer(Answer.REJECT)

    def _answer(self, answer: Answer) -> None:
        guess = self.guess_here()
        if guess is not None:
            self._give({guess.name: Answered(answer=answer)})

    def action_answer_group(self) -> None:
        """Yes to all that are one question with the guess under the cursor."""
        if self._sitting is not None:
            alike = self._sitting.alike(self.guess_here())
            self._give({each.name: Answered(answer=Answer.ACCEPT) for each in alike})

    def action_change(self) -> None:
        """Other values for the guess under the cursor."""
        sitting, guess = self._sitting, self.guess_here()
        if sitting is None or guess is None:
            return

        def keep(change: Mapping[str, Any]) -> str | None:
            try:
                sitting.give({guess.name: Answered(answer=Answer.CHANGE, change=change)})
            except LayoutError as error:
                return f"Not kept: {'; '.join(list_faults(error))}."
            return None

        def kept(is_kept: bool | None) -> None:
            if is_kept:
                self._fill()
                self.action_next_open()

        self.app.push_screen(ChangeGuess(guess, keep), kept)

    def _give(self, answers: Mapping[str, Answered]) -> None:
        sitting = self._sitting
        if sitting is None or not answers:
            return

        def give() -> bool:
            sitting.give(answers)
            return True

        if self.attempt(give):
            self._fill()
            self.action_next_open()

    def action_undo(self) -> None:
        """As it was before the last answer of this sitting, or the last group."""
        sitting = self._sitting
        name = None if sitting is None else self.attempt(sitting.undo)
        if name is not None:
            self._fill()
            self.query_one(GuessList).go_to(name)

    def action_next_open(self) -> None:
        """To the next guess that nobody has answered, below the cursor first."""
        self.query_one(GuessList).go_to_open()

    def action_more(self) -> None:
        """The rest of what is said of the guess, and then its beginning again."""
        about = self.query_one("#about")
        if about.scroll_offset.y < about.max_scroll_y:
            about.scroll_page_down(animate=False)
        else:
            about.scroll_home(animate=False)

    def action_finish(self) -> None:
        """Ask once more, then write the reviewed layout as a new file."""
        sitting = self._sitting
        if sitting is None:
            return

        def finish(number: int | None) -> None:
            done = self.attempt(sitting.finish) if number == 0 else None
            if done is not None:
                self._tell_done(done)

        self.app.push_screen(Choose(ALL_ANSWERED, _FINISH), finish)

    def _tell_done(self, done: Reviewed) -> None:
        command = self.desk.tell(
            "layout", "review", str(self.path), "--by", done.by, job=self.folder
        )
        self.app.push_screen(
            ResultScreen(
                self.desk,
                self.NAME,
                lambda: done_words(done, in_job=self.folder is not None),
                command=command,
                job=self.folder,
            ),
            lambda _: self.dismiss(done.out),
        )


def _name_fault(text: str) -> str | None:
    return None if text and text.isprintable() else "Give a name."
