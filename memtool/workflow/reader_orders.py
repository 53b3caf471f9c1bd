"""The order in which readers write their files: settled when reads come in, then undone.

What a person names counts. Otherwise the files tell (`memtool.core.health.reader_orders`); a
file of a second reader is known by its content. Reads of the job that were taken for plain
are backed up once more in the order that they turned out to be in: the files stay as they
are, the images and their digests are then in the chip's order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal

from memtool.core.chip import find_chip
from memtool.core.health.reader_orders import (
    OrderSign,
    agree_on_order,
    find_order_by_content,
    find_order_sign,
    is_same_content,
)
from memtool.core.image import Image
from memtool.core.job.events.memory_kinds import ReaderOrderSet
from memtool.core.layouts.layout import Layout
from memtool.core.read_options import PLAIN
from memtool.core.reader_order import fits, turn
from memtool.core.role import Role
from memtool.store.backups import BackupStore
from memtool.workflow.jobs import OpenJob, append_event, load_backup_reads
from memtool.workflow.keeping_reads import NewReads, find_counting, keep_again
from memtool.workflow.loading import LoadedRead, as_in_file, in_order


@dataclass(frozen=True, slots=True, kw_only=True)
class SettledOrder:
    """In which order the reader of one memory writes, and who says so."""

    order: str
    how: Literal["named", "found", "asked"]
    reason: str
    """A sentence."""


def settle_asked(sign: OrderSign, *, is_so: bool) -> SettledOrder:
    """What the technician said of an order that the files spoke for."""
    reason = f"The technician was asked, because {sign.reason}."
    return SettledOrder(order=sign.order if is_so else PLAIN, how="asked", reason=reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryOrders:
    """What is settled of one memory, before anything is recorded."""

    settled: SettledOrder | None
    """To be recorded; None: nothing new."""
    unsure: OrderSign | None
    """What speaks for an order that is not plain, but not surely: a person must be asked."""
    turned: Mapping[Role, tuple[str, ...]] = field(default_factory=dict)
    """The orders of reads that the job has already, where one of them changes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What the job has of one memory already."""

    order: str
    is_settled: bool
    """Whether its order was ever said or found."""
    reads: Mapping[Role, tuple[LoadedRead, ...]]
    """Those that count, by module."""


def settle_orders(
    opened: OpenJob | None,
    store: BackupStore,
    groups: Sequence[NewReads],
    *,
    named: Mapping[str, SettledOrder],
    layouts: Mapping[str, Layout],
    vehicle_vin: str | None,
) -> tuple[list[NewReads], dict[str, MemoryOrders]]:
    """Find the order of every new read, and what that says of the reads before.

    Args:
        opened: The job; None: it is new.
        store: Holds its reads.
        groups: The new reads, in the order of their files.
        named: What a person said, by memory.
        layouts: Of each memory, as far as one is known.
        vehicle_vin: That the originals should hold.

    Returns:
        The groups with their reads in the chip's order, and what is settled of each memory.

    Raises:
        StoreError: a read of the job is lost.
    """
    groups = list(groups)
    found: dict[str, MemoryOrders] = {}
    for memory in dict.fromkeys((*(group.memory for group in groups), *named)):
        places = [place for place, group in enumerate(groups) if group.memory == memory]
        new = {groups[place].role: groups[place].reads for place in places}
        known = _known_of(opened, store, memory)
        found[memory], orders = _settle(
            known, new, named.get(memory), _Signs(groups, layouts.get(memory), vehicle_vin, memory)
        )
        for place in places:
            group = groups[place]
            turned = zip(group.reads, orders[group.role], strict=True)
            groups[place] = replace(
                group, reads=tuple(in_order(read, order) for read, order in turned)
            )
    return groups, found


def record_orders(
    opened: OpenJob, store: BackupStore, orders: Mapping[str, MemoryOrders], now: datetime
) -> OpenJob:
    """Record what was settled, and back up again the reads whose order is now another.

    Raises:
        StoreError: not recorded, or a read is lost.
    """
    for memory, of_memory in orders.items():
        settled = of_memory.settled
        if settled is not None:
            event = ReaderOrderSet(
                memory=memory, order=settled.order, how=settled.how, reason=settled.reason
            )
            opened = append_event(opened, event, now=now)
        for role, names in of_memory.turned.items():
            counting = find_counting(opened, role, memory)
            assert counting is not None
            reads = load_backup_reads(store, counting)
            turned = [in_order(read, name) for read, name in zip(reads, names, strict=True)]
            opened = keep_again(opened, store, role, memory, turned, now)
    return opened


class _Signs:
    """What files of one memory tell of their order."""

    def __init__(
        self, groups: Sequence[NewReads], layout: Layout | None, vin: str | None, memory: str
    ) -> None:
        self._layout = layout
        self._vin = vin
        chips = [group.chip for group in groups if group.memory == memory]
        self._chip = find_chip(chips[0]) if chips else None

    def of(self, role: Role, read: LoadedRead) -> OrderSign | None:
        return find_order_sign(
            as_in_file(read),
            chip=self._chip,
            layout=self._layout,
            vin_texts=(self._vin,) if self._vin and role is Role.ORIGINAL else (),
        )


def _known_of(opened: OpenJob | None, store: BackupStore, memory: str) -> _Known:
    reads: dict[Role, tuple[LoadedRead, ...]] = {}
    for role in Role:
        counting = None if opened is None else find_counting(opened, role, memory)
        if counting is not None:
            reads[role] = tuple(load_backup_reads(store, counting))
    said = None if opened is None else opened.job.order_set(memory)
    return _Known(
        order=PLAIN if said is None else said.order, is_settled=said is not None, reads=reads
    )


def _settle(
    known: _Known,
    new: Mapping[Role, tuple[LoadedRead, ...]],
    said: SettledOrder | None,
    signs: _Signs,
) -> tuple[MemoryOrders, dict[Role, list[str]]]:
    told: dict[int, OrderSign] = {}
    if said is None:
        asked = (new,) if known.is_settled else (known.reads, new)
        for by_role in asked:
            for role, reads in by_role.items():
                found = ((read, signs.of(role, read)) for read in reads)
                told |= {id(read): sign for read, sign in found if sign is not None}
    settled, unsure = said, None
    if said is None and not known.is_settled:
        settled, unsure = _settle_by_signs(known, new, told)
    order = known.order if settled is None else settled.order
    of_new = {
        role: _orders_of_new(reads, known.reads.get(role, ()), order, said is not None, told)
        for role, reads in new.items()
    }
    turned: dict[Role, tuple[str, ...]] = {}
    if order != known.order or settled is not None:
        for role, reads in known.reads.items():
            fresh = list(zip(new.get(role, ()), of_new.get(role, ()), strict=True))
            names = _orders_of_known(reads, fresh, known, order, told, any_new=bool(new))
            if names != tuple(read.options.order for read in reads):
                turned[role] = names
    if settled is not None and known.is_settled and settled.order == known.order:
        settled = None
    return MemoryOrders(settled=settled, unsure=unsure, turned=turned), of_new


def _settle_by_signs(
    known: _Known, new: Mapping[Role, tuple[LoadedRead, ...]], told: Mapping[int, OrderSign]
) -> tuple[SettledOrder | None, OrderSign | None]:
    by_module = [
        (role.value, told[id(read)])
        for of in (new, known.reads)
        for role, reads in of.items()
        for read in reads
        if id(read) in told
    ]
    sign, is_certain = agree_on_order(by_module)
    if sign is None:
        return None, None
    if not is_certain:
        return None, sign
    # The file to program goes back through the reader that read the donor.
    donor = [
        told[id(read)]
        for of in (new, known.reads)
        for read in of.get(Role.DONOR, ())
        if id(read) in told
    ]
    if donor and donor[0].order == PLAIN:
        return None, None
    reason = f"{sign.reason[:1].upper()}{sign.reason[1:]}."
    return SettledOrder(order=sign.order, how="found", reason=reason), None


def _orders_of_new(
    reads: Sequence[LoadedRead],
    known: Sequence[LoadedRead],
    order: str,
    is_named: bool,
    told: Mapping[int, OrderSign],
) -> list[str]:
    """The order of each new read of one module."""
    if is_named:
        return [order if fits(as_in_file(read), order) else PLAIN for read in reads]
    found: list[str] = []
    image: Image | None = known[0].image if known else None
    for read in reads:
        file = as_in_file(read)
        sign = told.get(id(read))
        name = order if sign is None or not sign.is_certain else sign.order
        if image is not None:
            as_usual = fits(file, order) and is_same_content(turn(file, order), image)
            alike = order if as_usual else find_order_by_content(file, image, expected=name)
            name = alike or name
        name = name if fits(file, name) else PLAIN
        image = image or turn(file, name)
        found.append(name)
    return found


def _orders_of_known(
    reads: Sequence[LoadedRead],
    fresh: Sequence[tuple[LoadedRead, str]],
    known: _Known,
    order: str,
    told: Mapping[int, OrderSign],
    *,
    any_new: bool,
) -> tuple[str, ...]:
    """The orders of reads that the job has, now that the reader's order is known, or another."""
    anchor = turn(as_in_file(fresh[0][0]), fresh[0][1]) if fresh else None
    names: list[str] = []
    for read in reads:
        file, old = as_in_file(read), read.options.order
        sign = told.get(id(read))
        if sign is not None and sign.is_certain:
            name = sign.order
        elif anchor is not None:
            # Reads that are alike are of one order; one that a new read contradicts changes.
            alike = find_order_by_content(file, anchor, expected=old)
            unknown = order if not known.is_settled and old == known.order else old
            name = alike or (old if is_same_content(read.image, anchor) else unknown)
        elif old == known.order and not (any_new and known.is_settled):
            name = order
        else:
            name = old
        name = name if fits(file, name) else PLAIN
        anchor = anchor or turn(file, name)
        names.append(name)
    return tuple(names)
