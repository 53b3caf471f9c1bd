"""Facts of an order, one question a screen; each answer is judged at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar

from textual.binding import Binding
from textual.content import Content
from textual.widget import Widget
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from memtool.core.job.order import AlsoHolds
from memtool.core.layouts.layout import ModuleKind
from memtool.desk.keys import KeyBar
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session
from memtool.render.cautions import caution_beside
from memtool.render.questions import (
    HELD,
    LEAVE_OPEN,
    MARK_THEM,
    MAY_STAY_EMPTY,
    find_emptiness,
    find_problem,
    is_asked,
    question_about,
)
from memtool.render.text.vin_text import tell_while_typed
from memtool.render.words import safe_text
from memtool.workflow.order_facts import NONE_HELD


class QuestionScreen(DeskScreen):
    """Asks; `finish` is called when all was answered."""

    BINDINGS: ClassVar[list[Any]] = [
        # Before a list takes it: there Enter goes on, and a click chooses.
        Binding("enter", "answer", "Next", priority=True),
        Binding("space", "mark", "Mark"),
        Binding("f8", "before", "Question before"),
    ]

    def __init__(
        self,
        desk: Session,
        job: Path | None,
        asked: Sequence[str],
        *,
        needed: Sequence[str] = (),
        answers: Mapping[str, str | None] | None = None,
    ) -> None:
        """Make it.

        Args:
            desk: Of this sitting.
            job: Folder of the job.
            asked: Names of facts in `Order`, in the order in which they are asked.
            needed: Those that may not stay empty, beside the ones that never may.
            answers: What was answered before.
        """
        super().__init__(desk, job)
        self.asked = tuple(asked)
        self.needed = frozenset(needed)
        self.answers: dict[str, str | None] = dict(answers or {})
        self._at = 0
        self._held: set[AlsoHolds] = set()

    def body(self) -> Iterable[Widget]:
        """Question, line or choices, what is wrong, and the caution that belongs to it."""
        yield Static(Content(""), id="count")
        yield Static(Content(""), classes="question")
        yield Input(id="line")
        yield OptionList(*(Option(kind.value) for kind in ModuleKind), id="kinds")
        yield OptionList(id="held")
        yield Static(Content(""), id="typed", classes="more")
        yield Static(Content(""), classes="fault")
        yield Static(Content(""), id="caution")

    def on_mount(self) -> None:
        """Ask the first question that has no answer yet."""
        due = [at for at, name in enumerate(self.asked) if self.is_due(name)]
        still = [at for at in due if self.asked[at] not in self.answers]
        self._at = (still or due[-1:])[0]
        self.ask()

    @property
    def name_asked(self) -> str:
        """Of the fact that is asked for now."""
        return self.asked[self._at]

    def ask(self) -> None:
        """Show the question."""
        name = self.name_asked
        is_kind, is_held = name == "module_kind", name == "also_holds"
        line, kinds = self.query_one("#line", Input), self.query_one("#kinds", OptionList)
        held = self.query_one("#held", OptionList)
        line.display, kinds.display, held.display = not (is_kind or is_held), is_kind, is_held
        due = [each for each in self.asked if self.is_due(each)]
        self.query_one("#count", Static).update(
            Content(f"{due.index(name) + 1} of {len(due)}" if name in due else "")
        )
        self.query_one(".question", Static).update(Content(question_about(name)))
        self.query_one(".fault", Static).update(Content(""))
        self.query_one("#caution", Static).update(Content(caution_beside(name) or ""))
        value = self.answers.get(name) or self.value_before(name)
        line.value = value
        line.cursor_position = len(value)
        self._tell_typed(value)
        if is_kind:
            known = [kind.value for kind in ModuleKind]
            kinds.highlighted = known.index(value) if value in known else 0
        if is_held:
            self._held = {each for each in AlsoHolds if each in value.split(", ")}
            self._show_held()
        (held if is_held else kinds if is_kind else line).focus()
        self.query_one(KeyBar).show(self)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only of several is one marked."""
        return action != "mark" or self.name_asked == "also_holds"

    def _show_held(self) -> None:
        held = self.query_one("#held", OptionList)
        at = held.highlighted or 0
        held.clear_options()
        for each, words in HELD.items():
            held.add_option(Option(Content(f"[{'x' if each in self._held else ' '}] {words}")))
        held.highlighted = at

    def action_mark(self) -> None:
        """The module holds this too, or not."""
        self._held ^= {list(HELD)[self.query_one("#held", OptionList).highlighted or 0]}
        self._show_held()

    def value_before(self, name: str) -> str:
        """What most likely is the answer."""
        return (self.desk.state.technician or "") if name == "technician" else ""

    def may_stay_empty(self, name: str) -> bool:
        """Whether the question may be passed over."""
        return name in MAY_STAY_EMPTY and name not in self.needed

    def on_input_changed(self, event: Input.Changed) -> None:
        """Say what is known of a VIN while it is typed."""
        self._tell_typed(event.value)

    def _tell_typed(self, value: str) -> None:
        said = LEAVE_OPEN if self.may_stay_empty(self.name_asked) and not value else ""
        if self.name_asked == "also_holds":
            said = MARK_THEM
        if self.name_asked == "vehicle_vin":
            said = tell_while_typed(value)
        self.query_one("#typed", Static).update(Content(safe_text(said)))

    def on_input_submitted(self) -> None:
        """Enter in the line."""
        self.action_answer()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """A click on a kind, or on what the module holds too."""
        if event.option_list.id == "held":
            self.action_mark()
        else:
            self._take(list(ModuleKind)[event.option_index].value)

    def action_answer(self) -> None:
        """Take the answer, and ask the next question."""
        kinds = self.query_one("#kinds", OptionList)
        if self.name_asked == "also_holds":
            self._take(", ".join(each for each in HELD if each in self._held) or NONE_HELD)
        elif kinds.display:
            self._take(list(ModuleKind)[kinds.highlighted or 0].value)
        else:
            self._take(self.query_one("#line", Input).value.strip())

    def on_key(self, event: Any) -> None:
        """A letter goes to the next kind that begins with it."""
        kinds = self.query_one("#kinds", OptionList)
        if kinds.display and event.is_printable and event.character:
            names = [kind.value for kind in ModuleKind]
            at = kinds.highlighted or 0
            turned = [*range(at + 1, len(names)), *range(at + 1)]
            found = [each for each in turned if names[each].startswith(event.character.lower())]
            if found:
                kinds.highlighted = found[0]

    def _take(self, answer: str) -> None:
        name = self.name_asked
        if answer or not self.may_stay_empty(name):
            problem = find_problem(name, answer) or (None if answer else find_emptiness(answer))
            if problem is not None:
                self.query_one(".fault", Static).update(Content(safe_text(problem)))
                return
        self.answers[name] = answer or None
        self.answered(name)
        later = range(self._at + 1, len(self.asked))
        following = [each for each in later if self.is_due(self.asked[each])]
        if following:
            self._at = following[0]
            self.ask()
        else:
            self.finish()

    def is_due(self, name: str) -> bool:
        """Whether the answers up to now ask for this fact."""
        return is_asked(name, self.answers)

    def answered(self, name: str) -> None:
        """One more answer is there."""

    def action_before(self) -> None:
        """Go back to the question before."""
        earlier = [each for each in range(self._at) if self.is_due(self.asked[each])]
        if earlier:
            self._at = earlier[-1]
            self.ask()

    def finish(self) -> None:
        """All was answered."""
        raise NotImplementedError
