"""One sitting of a review: answers are kept at once, by the functions of `layout review`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.read_options import ReadOptions
from memtool.core.span import Span
from memtool.desk.session import Session
from memtool.errors import LayoutError
from memtool.formats.layout_toml.drafts import GuessText
from memtool.render.text.review_view import NamedImage
from memtool.workflow.context import Context, clock
from memtool.workflow.reviewing import (
    Answered,
    Review,
    Reviewed,
    finish_review,
    give_answers,
    layout_with_answers,
    open_review,
    take_back,
)
from memtool.workflow.showing import find_hidden, load_shown


class Sitting:
    """A layout under review, the images beside it, and what was answered since it was opened."""

    def __init__(self, desk: Session, path: Path, job: Path | None, names: Sequence[str]) -> None:
        """Read the layout, the answers that were given, and the images.

        Args:
            desk: Of this sitting.
            path: The layout file.
            job: Folder of the job.
            names: Images; in a job none means those of the layout's memory.

        Raises:
            MemtoolError: the file is no layout, the answers were changed by hand, or an image
                is not there.
        """
        self._desk, self._job = desk, job
        self.review: Review = open_review(path)
        self.layout: Layout = _layout_of(self.review)
        """As it is with the answers."""
        context, chip = self._open(), self.review.loaded.layout.chip
        self.images: list[NamedImage] = load_shown(context, names, chip)
        images = [each.image for each in self.images]
        self._guarded = find_hidden(context.opened, chip, images)
        self.by: str | None = (
            None if context.opened is None else context.opened.job.order.technician
        )
        """Who reviews."""
        self._trail: list[dict[str, Answered | None]] = []

    def _open(self) -> Context:
        return self._desk.context(self._job, ReadOptions(base=self.review.loaded.layout.base))

    @property
    def hidden(self) -> tuple[Span, ...]:
        """What the job's layouts protect, and what an answer calls protected."""
        regions = self.layout.regions_of(RegionKind.PROTECTED)
        return (*self._guarded, *(region.span for region in regions))

    @property
    def can_undo(self) -> bool:
        """Whether anything was answered in this sitting."""
        return bool(self._trail)

    def alike(self, guess: GuessText | None) -> tuple[GuessText, ...]:
        """Open guesses that one yes may answer together with this one."""
        return () if guess is None else self.review.alike(guess)

    def give(self, answers: Mapping[str, Answered]) -> None:
        """Keep answers; together they are undone.

        Raises:
            LayoutError: a change makes no valid layout; nothing is kept.
            StoreError: they were not written.
        """
        before = {name: self.review.answers.get(name) for name in answers}
        self._take(give_answers(self.review, answers, by=self._name(), now=clock()))
        self._trail.append(before)

    def undo(self) -> str | None:
        """Let stand again what stood before the last answer; the name of its guess.

        Raises:
            StoreError: it was not written.
        """
        if not self._trail:
            return None
        before = self._trail[-1]
        again = {name: given for name, given in before.items() if given is not None}
        gone = [name for name, given in before.items() if given is None]
        review = take_back(self.review, gone, by=self._name(), now=clock())
        if again:
            review = give_answers(review, again, by=self._name(), now=clock())
        self._take(review)
        self._trail.pop()
        return next(iter(before), None)

    def finish(self) -> Reviewed:
        """Write the reviewed layout as a new file.

        Raises:
            MemtoolError: something is open, or the file was not written.
        """
        return finish_review(self.review, None, self._open(), by=self._name(), now=clock())

    def _take(self, review: Review) -> None:
        self.review, self.layout = review, _layout_of(review)

    def _name(self) -> str:
        assert self.by is not None
        return self.by


def _layout_of(review: Review) -> Layout:
    """With the answers; where they do not fit together, as guessed: the end of the review tells."""
    try:
        return layout_with_answers(review)
    except LayoutError:
        return review.loaded.layout
