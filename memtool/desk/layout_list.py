"""The guesses of a layout as a list, by kind and by how sure they are."""

from __future__ import annotations

from rich.text import Text
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from memtool.desk.layout_words import group_guesses, guess_words
from memtool.formats.layout_toml.drafts import GuessText
from memtool.workflow.reviewing import Review


class GuessList(OptionList):
    """A line a guess, with the answer in front; headings cannot be pointed at."""

    _review: Review | None = None

    def show(self, review: Review) -> None:
        """The answers as they are now; the cursor stays where it was."""
        self._review = review
        at = self.highlighted
        options: list[Option] = []
        for heading, guesses in group_guesses(review):
            options.append(Option(Text(heading, style="bold underline"), disabled=True))
            options += [
                Option(Text(guess_words(review, guess)), id=str(review.guesses.index(guess)))
                for guess in guesses
            ]
        with self.prevent(OptionList.OptionHighlighted):
            self.clear_options()
            self.add_options(options)
            self.highlighted = at

    @property
    def guess(self) -> GuessText | None:
        """The guess under the cursor."""
        option = self.highlighted_option
        if self._review is None or option is None or option.id is None:
            return None
        return self._review.guesses[int(option.id)]

    def go_to(self, name: str) -> None:
        """Point at a guess."""
        if self._review is not None:
            names = [guess.name for guess in self._review.guesses]
            self.highlighted = self.get_option_index(str(names.index(name)))

    def go_to_open(self) -> None:
        """Point at the next guess that nobody has answered, below the cursor first."""
        if self._review is None:
            return
        names = {guess.name for guess in self._review.open}
        at = 0 if self.highlighted is None else self.highlighted + 1
        for number in (*range(at, self.option_count), *range(at)):
            option = self.get_option_at_index(number)
            if option.id is not None and self._review.guesses[int(option.id)].name in names:
                self.highlighted = number
                return
        if self.highlighted is None and self.option_count > 1:
            self.highlighted = 1

    def on_resize(self) -> None:
        """What is pointed at stays in sight when the list gets shorter."""
        self.scroll_to_highlight()
