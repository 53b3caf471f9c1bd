"""The facts of one customer order, as one object, folded from the journal's entries.

The journal holds them; a `Job` is what it says up to now. Nothing is kept twice, so
nothing can disagree with the journal. The kinds of entries are the classes in
`memtool.core.job.events.kinds`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar, cast

from memtool.core.chip import is_same_chip
from memtool.core.finding import Check
from memtool.core.job.events.event import Event
from memtool.core.job.events.kinds import (
    EVENTS,
    AreaSettled,
    FileAttached,
    FilesIntended,
    ImageBlanked,
    JobOpened,
    LayoutChosen,
    LayoutNamed,
    NoteAdded,
    OrderAmended,
    OriginalUnreadable,
    ReadsBackedUp,
    RegionReleased,
    StageChecked,
    TornLineKept,
    UnknownEvent,
)
from memtool.core.job.events.memory_kinds import (
    BackupRestored,
    MemoryDeclared,
    ReaderOrderSet,
    ReadsTakenOver,
    ReadWithdrawn,
)
from memtool.core.job.events.person_kinds import DecisionMade, FunctionTested
from memtool.core.job.events.upgrade import upgrade
from memtool.core.job.memory import Memory, Module, name_of_chip
from memtool.core.job.order import Order
from memtool.core.job.stage import Stage
from memtool.core.layouts.layout import ModuleKind
from memtool.core.read_options import PLAIN
from memtool.core.role import Role
from memtool.core.span import Span, subtract_spans, union_spans

NEVER_BLANKED = frozenset({ModuleKind.AIRBAG, ModuleKind.IMMOBILISER})
"""Restraint systems and immobilisers: a person can be hurt, a vehicle stolen."""


SomeEvent = TypeVar("SomeEvent", bound=Event)


class JournalLine(Protocol):
    """One entry of a journal, wherever it is stored."""

    @property
    def version(self) -> int: ...
    @property
    def number(self) -> int: ...
    @property
    def time(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def facts(self) -> Mapping[str, Any]: ...
    @property
    def text(self) -> str:
        """The facts as JSON text in plain ASCII; not asked for in version 1."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Everything that the journal says of one order: its modules, their memories and reads."""

    opened: str
    """ISO 8601 with zone."""
    order: Order
    modules: tuple[Module, ...] = tuple(Module(role=role) for role in Role)
    """One for every role, also where it has no read."""
    declared: tuple[MemoryDeclared, ...] = ()
    """Memories that a person named, read or not."""
    unreadable: tuple[OriginalUnreadable, ...] = ()
    withdrawn: tuple[ReadWithdrawn, ...] = ()
    reader_orders: tuple[ReaderOrderSet, ...] = ()
    """How readers write their files, memory by memory, as it was settled one after the other."""
    layouts: tuple[LayoutChosen, ...] = ()
    named_layouts: tuple[LayoutNamed, ...] = ()
    """Every layout that any command was given: what they guard stays guarded."""
    releases: tuple[RegionReleased, ...] = ()
    settled: tuple[AreaSettled, ...] = ()
    blankings: tuple[ImageBlanked, ...] = ()
    stage_checks: tuple[StageChecked, ...] = ()
    decisions: tuple[DecisionMade, ...] = ()
    """What persons decided on points that checks left to them, oldest first."""
    function_tests: tuple[FunctionTested, ...] = ()
    """What was tried on the vehicle, oldest first."""
    notes: tuple[NoteAdded, ...] = ()
    attachments: tuple[FileAttached, ...] = ()
    events: tuple[Event, ...] = ()
    """Every entry, in order."""
    unfinished: tuple[FilesIntended, ...] = ()
    """Intents whose event is missing: a command was cut off between its files and its entry."""

    @property
    def original_unreadable(self) -> str | None:
        """Why there is no read of the original, as it was said last of any memory."""
        return self.unreadable[-1].reason if self.unreadable else None

    def why_unreadable(self, memory: str | None) -> str | None:
        """Why the original's memory of that name has no read."""
        found = [said.reason for said in self.unreadable if said.memory in (None, memory)]
        return found[-1] if found else None

    @property
    def former_vins(self) -> tuple[str, ...]:
        """Every VIN that stood on the order before the one that stands there now."""
        orders = (
            event.order.vehicle_vin
            for event in self.events
            if isinstance(event, JobOpened | OrderAmended)
        )
        others = dict.fromkeys(vin for vin in orders if vin not in (None, self.order.vehicle_vin))
        return tuple(vin for vin in others if vin is not None)

    @property
    def backups(self) -> tuple[ReadsBackedUp, ...]:
        """All backups of all modules, oldest first."""
        found = (
            backup
            for module in self.modules
            for memory in module.memories
            for backup in memory.backups
        )
        return tuple(sorted(found, key=lambda backup: backup.number))

    @property
    def memories(self) -> tuple[str, ...]:
        """The name of every memory of any module, sorted."""
        read = {memory.name for module in self.modules for memory in module.memories}
        return tuple(sorted(read | {said.memory for said in self.declared if said.memory}))

    @property
    def chips(self) -> dict[str, str]:
        """The chip of every memory, by the memory's name, sorted by it."""
        return {name: self.chip_of(name) for name in self.memories}

    def module(self, role: Role) -> Module:
        """The module of that role."""
        return next(module for module in self.modules if module.role is role)

    def find_memory(self, asked: str) -> str:
        """The name of the memory that is meant: by its name, or by its chip in any spelling.

        A name that the job does not know is given back as the name it would have.
        """
        chips = self.chips
        if asked in chips:
            return asked
        same = (name for name, chip in chips.items() if is_same_chip(chip, asked))
        # Of several memories of one chip the first.
        return next(same, name_of_chip(asked))

    def order_set(self, memory: str | None) -> ReaderOrderSet | None:
        """How the reader writes that memory's files, as it was settled last; None: never."""
        found = [said for said in self.reader_orders if said.memory == memory]
        return found[-1] if found else None

    def reader_order(self, memory: str | None) -> str:
        """In which order the reader writes that memory's files."""
        said = self.order_set(memory)
        return PLAIN if said is None else said.order

    def settled_in(self, memory: str | None, image: str | None) -> tuple[Span, ...]:
        """Areas of a memory of which a person knows why they read as one value throughout.

        Args:
            memory: Its name.
            image: Digest of the image that is looked at: that an area is really empty, or
                was read by a second method, is said of one image alone.
        """
        return tuple(
            span
            for settled in self.settled
            if settled.memory == memory
            # What the reader cannot give, it gives in no read; the rest is said of one image.
            if settled.how == "not-read" or image in (settled.judged.reads or ())
            for span in settled.spans
        )

    def not_read(self, memory: str | None) -> tuple[Span, ...]:
        """The areas of a memory that the reader could not give: undefined, never empty."""
        return union_spans(
            span
            for settled in self.settled
            if settled.how == "not-read" and settled.memory == memory
            for span in settled.spans
        )

    def reads_agree(self, backup: ReadsBackedUp) -> bool | None:
        """Whether the reads of a backup are identical apart from what the reader could not give.

        None: there is a single read.
        """
        # Where it is not known in which bytes they differ, what the backup says stands.
        if backup.agree is not False or not backup.differing:
            return backup.agree
        return not subtract_spans(backup.differing, self.not_read(backup.memory))

    def chip_of(self, memory: str) -> str:
        """The chip of that memory; its name, where the job knows nothing of it."""
        for said in self.declared:
            if said.memory == memory:
                return said.chip
        for module in self.modules:
            found = module.memory(memory)
            if found is not None:
                return found.chip
        return memory

    def label_of(self, memory: str) -> str:
        """How people know that memory: by the chip as it was typed, where nobody gave a name."""
        chip = self.chip_of(memory)
        return chip if name_of_chip(chip) == memory else memory

    def backups_of(self, role: Role, memory: str | None = None) -> tuple[ReadsBackedUp, ...]:
        """The backups of one role, newest last; of one memory, where given."""
        wanted = None if memory is None else self.find_memory(memory)
        return tuple(
            backup
            for backup in self.backups
            if backup.role is role and wanted in (None, backup.memory)
        )

    def newest_backup(self, role: Role, memory: str | None = None) -> ReadsBackedUp | None:
        """The newest backup of that role (and memory)."""
        found = self.backups_of(role, memory)
        return found[-1] if found else None

    def restore_of(self, memory: str | None) -> BackupRestored | None:
        """The backup that was given back last, of that memory."""
        found = (
            event
            for event in reversed(self.events)
            if isinstance(event, BackupRestored) and event.memory == memory
        )
        return next(found, None)

    @property
    def taken_over(self) -> ReadsTakenOver | None:
        """The older job whose reads this one began with."""
        found = (event for event in self.events if isinstance(event, ReadsTakenOver))
        return next(found, None)

    def baseline_of(self, memory: str | None) -> ReadsBackedUp | None:
        """What that memory held when an older job handed the module over."""
        taken = self.taken_over
        if taken is None or taken.sitting is None:
            return None
        originals = self.backups_of(Role.ORIGINAL, memory)
        return next((each for each in originals if each.sitting == taken.sitting), None)

    @property
    def is_follow_up(self) -> bool:
        """Whether a module came back that an older job handed over, and no donor is there."""
        taken = self.taken_over
        return taken is not None and taken.sitting is not None and not self.backups_of(Role.DONOR)

    def layout_of(self, memory: str) -> LayoutChosen | None:
        """The layout chosen last for that memory."""
        wanted = self.find_memory(memory)
        found = [chosen for chosen in self.layouts if chosen.memory == wanted]
        return found[-1] if found else None

    def blankings_of(self, memory: str | None) -> tuple[ImageBlanked, ...]:
        """The files to program of that memory, newest last; of all, where none is given."""
        wanted = None if memory is None else self.find_memory(memory)
        return tuple(made for made in self.blankings if wanted in (None, made.memory))

    def blanking_of(self, sha256: str) -> ImageBlanked | None:
        """The newest blanking that made exactly this image."""
        found = [blanking for blanking in self.blankings if blanking.sha256 == sha256]
        return found[-1] if found else None

    def latest_check(self, stage: Stage, memory: str | None = None) -> StageChecked | None:
        """The newest check of that stage (and memory)."""
        wanted = None if memory is None else self.find_memory(memory)
        found = [
            check
            for check in self.stage_checks
            if check.stage is stage and (wanted is None or check.memory in (None, wanted))
        ]
        return found[-1] if found else None


def read_event(line: JournalLine) -> Event:
    """The event that an entry tells; of an unknown kind, one that adds nothing.

    Raises:
        ValueError: the facts are not of the shape that this kind has.
    """
    kind = EVENTS.get(line.kind)
    if kind is None:
        return UnknownEvent(unknown_kind=line.kind, number=line.number, time=line.time)
    try:
        # The journal adds a torn line by itself and knows nothing of memories and tools.
        is_old = line.version == 1 or kind is TornLineKept
        if is_old:
            facts = upgrade(line.kind, line.facts)
            return kind.from_facts(facts, number=line.number, time=line.time)
        return kind.from_text(line.text, line.facts, number=line.number, time=line.time)
    except (AttributeError, KeyError, OverflowError, TypeError, ValueError) as error:
        raise ValueError(f"entry {line.number} ({line.kind}) lacks or garbles {error}") from error


def build_job(lines: Iterable[JournalLine]) -> Job:
    """Fold the entries of a journal, oldest first, into one object, in one pass.

    Unknown kinds are kept in `Job.events` and add nothing else, so that a journal of a
    later version can still be shown.

    Raises:
        ValueError: the first entry does not open a job, or an entry's facts are not of
            the shape that its kind has.
    """
    folding: _Folding | None = None
    for line in lines:
        # Before it is read: a foreign journal's facts are of any shape.
        if folding is None and line.kind != JobOpened.kind:
            raise ValueError("the first entry does not open a job")
        event = read_event(line)
        if folding is None:
            assert isinstance(event, JobOpened)
            folding = _Folding(opened=event.time, order=event.order)
        folding.add(event)
    if folding is None:
        raise ValueError("the journal is empty")
    return folding.job()


def add_event(job: Job, event: Event) -> Job:
    """The job as it is after one more entry."""
    folding = _Folding(opened=job.opened, order=job.order, unfinished=list(job.unfinished))
    for before in job.events:
        folding.keep(before)
    folding.add(event)
    return folding.job()


@dataclass(slots=True, kw_only=True)
class _Folding:
    """A job while its entries come in: lists that grow, so that a long journal costs its length."""

    opened: str
    order: Order
    unfinished: list[FilesIntended] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    by_kind: defaultdict[type[Event], list[Event]] = field(
        default_factory=lambda: defaultdict(list)
    )

    def add(self, event: Event) -> None:
        self.keep(event)
        match event:
            case OrderAmended():
                self.order = self.order.amended(event.order)
            case FilesIntended():
                self._intend(event)
        # The files were written for this event: its intent is fulfilled.
        if event.intent is not None:
            self.unfinished = [each for each in self.unfinished if each.number != event.intent]

    def keep(self, event: Event) -> None:
        self.events.append(event)
        self.by_kind[type(event)].append(event)

    def of(self, kind: type[SomeEvent]) -> tuple[SomeEvent, ...]:
        """Every entry of that kind, oldest first."""
        return tuple(cast(list[SomeEvent], self.by_kind[kind]))

    def _intend(self, intent: FilesIntended) -> None:
        """Another try at one of the files takes the place of the one that was cut off."""
        named = {file.path for file in intent.files}
        self.unfinished = [
            each for each in self.unfinished if named.isdisjoint(file.path for file in each.files)
        ]
        self.unfinished.append(intent)

    def job(self) -> Job:
        return Job(
            opened=self.opened,
            order=self.order,
            modules=tuple(self._module(role) for role in Role),
            declared=self.of(MemoryDeclared),
            unreadable=self.of(OriginalUnreadable),
            withdrawn=self.of(ReadWithdrawn),
            reader_orders=self.of(ReaderOrderSet),
            layouts=self.of(LayoutChosen),
            named_layouts=self.of(LayoutNamed),
            releases=self.of(RegionReleased),
            settled=self.of(AreaSettled),
            blankings=self.of(ImageBlanked),
            stage_checks=self.of(StageChecked),
            decisions=self.of(DecisionMade),
            function_tests=self.of(FunctionTested),
            notes=self.of(NoteAdded),
            attachments=self.of(FileAttached),
            events=tuple(self.events),
            unfinished=tuple(self.unfinished),
        )

    def _module(self, role: Role) -> Module:
        layouts = {chosen.memory: chosen for chosen in self.of(LayoutChosen)}
        orders = {said.memory: said.order for said in self.of(ReaderOrderSet)}
        unreadable = self.of(OriginalUnreadable)
        by_name: dict[str, list[ReadsBackedUp]] = {}
        for backup in self.of(ReadsBackedUp):
            if backup.role is role:
                by_name.setdefault(backup.memory or name_of_chip(backup.chip), []).append(backup)
        return Module(
            role=role,
            memories=tuple(
                Memory(
                    name=name,
                    chip=backups[0].chip,
                    size=backups[-1].size,
                    backups=tuple(backups),
                    layout=layouts.get(name),
                    reader_order=orders.get(name, PLAIN),
                )
                for name, backups in by_name.items()
            ),
            unreadable=unreadable[-1].reason if unreadable and role is Role.ORIGINAL else None,
        )


def checks_to_facts(checks: Iterable[Check]) -> list[dict[str, Any]]:
    """Checks in the shape that `docs/schema/` publishes, for scripts."""
    return [
        {
            "code": check.code,
            "result": check.result.value,
            "reason": check.reason,
            "text": check.text,
            "spans": [{"start": span.start, "end": span.end} for span in check.spans],
        }
        for check in checks
    ]
