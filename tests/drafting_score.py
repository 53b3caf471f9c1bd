"""How a draft compares with the truth of the family that its images were made from.

What counts
-----------
- identity: bytes that carry a VIN or its end in some of the modules, and that lie in
  vehicle-identity regions of the draft. The draft's own blanking must take all of them.
- checksums: of those whose block differs between the drafted modules (no other is asked for),
  a true one counts as found where a guessed rule has its field and recomputes the
  right value in ten further modules of the family that the draft never saw. Of a wide sum
  over small numbers the byte that is the same in all of these modules may be missing.
- unsafe: bytes that a guessed region or checksum would change and that belong to the
  module, are protected, count, or are unknown to everybody. A configuration is counted as
  if it were blanked.
- false: guessed regions and checksums with a byte of another kind than guessed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from memtool.core.checksums.checksum import ChecksumRule, check_checksum
from memtool.core.drafting.draft import Draft, ModuleReads
from memtool.core.drafting.steps import draft_layout
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.core.texts.stored_forms import parse_stored_form
from tests.module_families import Family, Guard, Module, guard_value, swap_words
from tests.real_families import RealFamily

_ALLOWED = {
    "vin": {RegionKind.VEHICLE_IDENTITY},
    "tail": {RegionKind.VEHICLE_IDENTITY},
    "record": {RegionKind.VEHICLE_IDENTITY, RegionKind.UNUSED},
    "between": {RegionKind.VEHICLE_IDENTITY, RegionKind.UNUSED},
    "state": {RegionKind.STATE},
    "sequence": {RegionKind.STATE},
    "text": {RegionKind.MODULE_IDENTITY},
    "date": {RegionKind.MODULE_IDENTITY},
    "number": {RegionKind.MODULE_IDENTITY},
    "configuration": {RegionKind.CONFIGURATION},
    "counter": {RegionKind.PROTECTED},
    "protected": {RegionKind.PROTECTED},
    "noise": {RegionKind.PROTECTED},
    "calibration": {RegionKind.CALIBRATION, RegionKind.CODE},
    "checksum": {RegionKind.CHECKSUM, RegionKind.UNUSED},
    "gap": {RegionKind.UNUSED},
}
_NEVER = frozenset({"text", "date", "number", "counter", "protected", "noise", "calibration"})
_CHANGED = frozenset({RegionKind.VEHICLE_IDENTITY, RegionKind.STATE, RegionKind.CONFIGURATION})
_FURTHER = range(501, 511)


@dataclass(slots=True)
class Score:
    """Of one draft, or of many added up."""

    families: int = 0
    identity: int = 0
    identity_found: int = 0
    checksums: int = 0
    checksums_found: int = 0
    guesses: int = 0
    false: int = 0
    unsafe: int = 0
    kinds: dict[str, list[int]] = field(default_factory=dict)
    """Kind of the truth: bytes described rightly, bytes in all."""
    faults: list[str] = field(default_factory=list)
    """What was missed or wrong, for a person."""

    def add(self, other: Score) -> None:
        """Add the numbers of another draft."""
        for name in (
            *("families", "identity", "identity_found", "checksums", "checksums_found"),
            *("guesses", "false", "unsafe"),
        ):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for kind, (right, total) in other.kinds.items():
            mine = self.kinds.setdefault(kind, [0, 0])
            mine[0] += right
            mine[1] += total
        self.faults += other.faults


def modules_of(family: Family, count: int, *, reference: bool) -> list[ModuleReads]:
    """So many configured modules, and a never-configured one if asked for."""
    found = [
        _reads(f"module {number}", family.module(number), family) for number in range(1, count + 1)
    ]
    if reference:
        found.append(_reads("reference", family.reference(), family))
    return found


def score_family(family: Family, count: int, *, reference: bool) -> Score:
    """Draft from `count` modules, mend swapped words where the draft says so, and score."""
    modules = modules_of(family, count, reference=reference)
    draft = draft_layout(modules)
    score = Score(families=1)
    if family.swapped:
        if not draft.word_swapped:
            score.faults.append(f"family {family.seed}: swapped words were not given")
        modules = [_mended(module) for module in modules]
        draft = draft_layout(modules)
    _score_identity(family, draft, modules, score)
    _score_checksums(family, draft, modules, score)
    _score_guesses(family, draft, score)
    return score


def _reads(name: str, module: Module, family: Family) -> ModuleReads:
    return ModuleReads(
        name=name,
        role=None if module.vin else Role.REFERENCE,
        vin=module.vin if family.knows_vins else None,
        reads=tuple(Image.from_bytes(read) for read in module.reads),
    )


def _mended(module: ModuleReads) -> ModuleReads:
    reads = [Image.from_bytes(swap_words(read.read(read.spans[0]))) for read in module.reads]
    return ModuleReads(name=module.name, role=module.role, vin=module.vin, reads=tuple(reads))


def _score_identity(family: Family, draft: Draft, modules: list[ModuleReads], score: Score) -> None:
    taken: set[int] = set()
    for guess in draft.regions:
        region = guess.region
        if region.kind is RegionKind.VEHICLE_IDENTITY:
            mask = parse_stored_form(region.stored_as).occupied_mask(len(region.span))
            taken |= {region.span.start + n for n, bits in enumerate(mask) if bits == 0xFF}
    for place in family.places:
        if place.kind not in ("vin", "tail", "record"):
            continue
        span = Span(place.start, place.end)
        empty = all(m.reads[0].read(span) == bytes([family.erased]) * len(span) for m in modules)
        if place.kind == "record" and empty:
            continue
        wanted = set(place.occupied or range(place.start, place.end))
        if place.form == "utf-16-be":
            wanted = set(range(place.start + 1, place.end, 2))
        score.identity += 1
        if wanted <= taken:
            score.identity_found += 1
        else:
            score.faults.append(
                f"family {family.seed}: {place.kind} at {span} as {place.form} missed"
            )


def _score_checksums(
    family: Family, draft: Draft, modules: list[ModuleReads], score: Score
) -> None:
    further = []
    for number in _FURTHER:
        read = family.module(number).reads[0]
        further.append(swap_words(read) if family.swapped else read)
    for guard in family.guards:
        block = Span(guard.start, guard.end)
        if len(modules) > 1 and len({each.reads[0].read(block) for each in modules}) < 2:
            continue
        score.checksums += 1
        if any(_is_right(guess.rule, guard, further) for guess in draft.checksums):
            score.checksums_found += 1
        else:
            score.faults.append(
                f"family {family.seed}: {guard.algorithm} over {guard.start:#x}-{guard.end - 1:#x}"
                f" at {guard.stored:#x} missed"
            )


def _is_right(rule: ChecksumRule, guard: Guard, further: list[bytes]) -> bool:
    span = Span(guard.stored, guard.stored + guard.length)
    if not span.contains(rule.stored):
        return False
    # A sum whose other byte is the same in all modules is the same as a narrower one.
    others = [a for a in range(span.start, span.end) if a not in rule.stored]
    if any(len({memory[address] for memory in further}) > 1 for address in others):
        return False
    for memory in further:
        assert memory[guard.stored : guard.stored + guard.length] == guard_value(guard, memory)
        if check_checksum(Image.from_bytes(memory), rule).result is not Verdict.PASS:
            return False
    return True


def _score_guesses(family: Family, draft: Draft, score: Score) -> None:
    described: dict[int, RegionKind] = {}
    for guess in draft.regions:
        region = guess.region
        score.guesses += 1
        addresses = range(region.span.start, region.span.end)
        kinds = {address: family.kind_at(address) for address in addresses}
        described |= dict.fromkeys(addresses, region.kind)
        wrong = {kind for kind in kinds.values() if region.kind not in _ALLOWED[kind]}
        if wrong:
            score.false += 1
            score.faults.append(
                f"family {family.seed}: {region.kind} '{region.name}' {region.span} holds {wrong}"
            )
        if region.kind in _CHANGED:
            mask = parse_stored_form(region.stored_as).occupied_mask(len(region.span))
            bad = [
                a for a, bits in zip(addresses, mask, strict=True) if bits and kinds[a] in _NEVER
            ]
            score.unsafe += len(bad)
            if bad:
                score.faults.append(f"family {family.seed}: UNSAFE {region.name} {region.span}")
    for checksum in draft.checksums:
        rule = checksum.rule
        score.guesses += 1
        described |= dict.fromkeys(range(rule.stored.start, rule.stored.end), RegionKind.CHECKSUM)
        inside = range(rule.stored.start, rule.stored.end)
        if any(family.kind_at(address) != "checksum" for address in inside):
            score.false += 1
            score.faults.append(
                f"family {family.seed}: false {rule.algorithm} {rule.covers[0]} at {rule.stored}"
                f" E={checksum.expected_by_chance:.2g}"
            )
            hit = {family.kind_at(a) for a in range(rule.stored.start, rule.stored.end)}
            if hit & _NEVER:
                score.unsafe += len(rule.stored)
                score.faults.append(f"family {family.seed}: UNSAFE field {rule.stored} {hit}")
    for address in range(family.size):
        kind = family.kind_at(address)
        numbers = score.kinds.setdefault(kind, [0, 0])
        numbers[1] += 1
        numbers[0] += described.get(address) in _ALLOWED[kind]


def score_real_family(family: RealFamily) -> tuple[int, list[str]]:
    """(VINs that are not wholly identity, guesses that would change any other byte).

    The last byte of a block of 128 in a display's memory makes the block's sum zero (VESA
    E-EDID, section 3.11, byte 7Fh); such a checksum is true.
    """
    modules = [
        ModuleReads(name=f"module {number}", role=None, vin=vin, reads=(Image.from_bytes(memory),))
        for number, (memory, vin) in enumerate(zip(family.memories, family.vins, strict=True))
    ]
    draft = draft_layout(modules)
    planted = {address for place in family.places for address in place}
    taken: set[int] = set()
    unsafe = []
    for guess in draft.regions:
        region = guess.region
        if region.kind in _CHANGED:
            held = set(range(region.span.start, region.span.end))
            taken |= held
            if held - planted:
                unsafe.append(f"{region.kind} '{region.name}' {region.span}")
    for checksum in draft.checksums:
        rule = checksum.rule
        block = rule.covers[0]
        display = "displays" in family.name and block.start % 128 == 0 and len(block) == 127
        if not display:
            unsafe.append(f"{rule.algorithm} over {block} at {rule.stored}")
    return sum(not set(place) <= taken for place in family.places), unsafe
