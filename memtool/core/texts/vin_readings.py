"""Which of several readings of the same bytes to believe, and which to tell beside it.

Each reading is weighed, in bits, by what the standards say of its text (country, check digit
where its market asks for one, model year, digits of the serial number), by how unusual its
form is, and by its borders. A text is one run of letters and digits in the order in which it
was written: in a wrong order its ends are torn off, so the longest run speaks for its order,
and a run of just seventeen characters speaks for itself most of all.

1. The reading with the most weight is believed; among equals the earlier form of the table,
   so that plain text wins over any rearrangement for which no more speaks.
2. A reading that shares bytes with it is told beside it where the standards allow it: another
   window of the same run, and any other reading that has hardly less weight. Where there is
   one, those with somewhat less are told as well.
3. What is not clear by itself (see `memtool.core.texts.vin_candidates`) is never believed: it is
   told beside a reading that is, where no less speaks for it; where others are told or it is
   a window of the same run, where hardly less does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from memtool.core.texts.form_table import RANKS, Family
from memtool.core.texts.stored_forms import Step
from memtool.core.texts.vin import VIN_LENGTH, asks_for_check_digit
from memtool.core.texts.vin_candidates import VinCandidate

_SHARED_BYTES = 2
"""Two packed texts side by side share a byte; readings of the same bytes share many."""
_HARDLY_LESS = 9
"""Bits; less than so many do not rule a reading out. This and the weights below were set on
generated VINs among text and measured on others, see docs/vin.md."""
_HARDLY_LESS_THAN_CHECKED = 5
"""The same beside a reading with the check digit that its market asks for, for rows that are no
longer."""
_HARDLY_LESS_THAN_BORDERED = 4
"""The same beside a row of just seventeen characters, for rows that are no longer."""
_HARDLY_LESS_THAN_OTHERS = 12
"""The same where others are told in any case."""
_BITS_OF_LENGTH = 2
"""For each character by which a row is longer than another one."""
_BITS_OF_TEAR = 2
"""For each change between letters and other signs just outside of a row."""
_BITS_OF_LETTER = 4
"""For a letter in position 2: 65 of the 67 maker codes in the package vin 0.6.2 have one, of
random texts under three of four."""
_FILLER = "ZZZ"
"""What makers of some markets put into positions 4 to 6. Common practice, no source."""
_BITS_OF_FILLER = 6
_BITS_OF_LABEL = 8
"""For a label directly before a row."""
_BITS_OF_BORDERS = 8
"""For a row of just seventeen characters."""
_BITS_OF_PLAIN = 3
"""For text as it stands: on top of what its form costs less."""
_BITS_OF_KEY = 14
"""Any bytes look like a VIN under some key."""
_COST_UNIT = 3
"""The costs of the table weigh forms by how common they are, and border, check digit and
serial number tell far more: a third of them, rounded up, counts here."""
_LONG = 40
"""Rows longer than this say no more."""

Chosen = tuple[VinCandidate, list[VinCandidate]]
"""The reading to believe, and the others that the standards allow."""


def choose_readings(
    candidates: Iterable[VinCandidate],
    beside: Iterable[VinCandidate] = (),
    *,
    after: Iterable[VinCandidate] = (),
) -> list[Chosen]:
    """The readings to believe, each with those to tell beside it, likeliest first.

    Args:
        candidates: Any of them may be believed.
        beside: Those that are told beside one that is believed where no less speaks for them.
        after: Those that are believed where none of `candidates` has their bytes, and else may
            be told beside it.
    """
    chosen: list[Chosen] = []
    doubted: list[list[VinCandidate]] = []
    owners: dict[int, list[int]] = {}
    # Best first: whoever comes later and shares bytes is told beside one already chosen, or
    # nowhere.
    first, then = (sorted(dict.fromkeys(each), key=_preference) for each in (candidates, after))
    for candidate in (*first, *then):
        number = _find_owner(candidate, owners)
        if number is not None:
            if not _tell_beside(candidate, chosen[number], keys_tried=bool(then)):
                doubted[number].append(candidate)
            continue
        for address, _ in candidate.trace.cells():
            owners.setdefault(address, []).append(len(chosen))
        chosen.append((candidate, []))
        doubted.append([])
    for candidate in dict.fromkeys(beside):
        number = _find_owner(candidate, owners)
        if number is not None and _is_near(candidate, chosen[number]):
            _tell_beside(candidate, chosen[number], wide=bool(chosen[number][1]))
    for (best, others), doubted_here in zip(chosen, doubted, strict=True):
        # Where there is a choice anyway, it is offered wider: the true one must be in it.
        if others:
            for candidate in doubted_here:
                _tell_beside(candidate, (best, others), keys_tried=bool(then), wide=True)
        others.sort(key=_preference)
    return chosen


def _find_owner(candidate: VinCandidate, owners: Mapping[int, Sequence[int]]) -> int | None:
    """Which of those chosen has bytes of a candidate; the first was chosen first, weighs most."""
    shared = Counter(
        number for address, _ in candidate.trace.cells() for number in owners.get(address, ())
    )
    most = max(shared.values(), default=0)
    return min(shared) if most > (_SHARED_BYTES if candidate.form.is_packed else 0) else None


def _tell_beside(
    candidate: VinCandidate, chosen: Chosen, *, keys_tried: bool = False, wide: bool = False
) -> bool:
    """Tell a candidate beside one that is believed; whether it is told there now."""
    best, others = chosen
    # The same text in another form is no other reading.
    if candidate.text in {each.text for each in (best, *others)}:
        return True
    if not _is_reading(candidate, best, keys_tried=keys_tried, wide=wide):
        return False
    others.append(candidate)
    return True


def _is_near(candidate: VinCandidate, chosen: Chosen) -> bool:
    """Whether a reading that is not clear by itself is thought of beside a clear one."""
    best, others = chosen
    if candidate.form == best.form and _is_one_row(candidate, best):
        shape = candidate.shape
        return (shape.six_digits and shape.year) or weigh_reading(candidate) >= weigh_reading(best)
    return weigh_reading(best) - weigh_reading(candidate) < (_HARDLY_LESS if others else 1)


def weigh_reading(candidate: VinCandidate) -> int:
    """How much speaks for a reading against others of the same bytes, in bits."""
    shape, text = candidate.shape, candidate.text
    # Bits, on one scale with the constants above.
    bits = -(0 if shape.serial else 6) - (0 if shape.country else 8)
    must_check = asks_for_check_digit(text)
    if shape.check_digit:
        bits += 7 if must_check else 3
    elif must_check:
        bits -= 6
    bits -= 0 if shape.year else 4
    bits -= _BITS_OF_LETTER if text[1].isdigit() else 0
    bits += _BITS_OF_FILLER if text[3:6] == _FILLER else 0
    bits += sum(1 if text[place].isdigit() else -2 for place in (11, 12))
    bits -= sum(map(_cost_of, candidate.form.steps)) + _BITS_OF_TEAR * candidate.tears
    if candidate.alone:
        # Seventeen bytes that stand in order look like many fields swapped by themselves.
        bits -= 9 if must_check and shape.check_digit else 12
    bits += _BITS_OF_LABEL if candidate.labelled else 0
    bits += _BITS_OF_PLAIN if candidate.form.name == "plain" else 0
    bits += _BITS_OF_LENGTH * (min(candidate.row, _LONG) - VIN_LENGTH)
    return bits + (_BITS_OF_BORDERS if candidate.run == VIN_LENGTH else 0)


def _cost_of(step: Step) -> int:
    return _BITS_OF_KEY if step.form.family is Family.KEYED else -(-step.form.cost // _COST_UNIT)


def _is_reading(
    candidate: VinCandidate, best: VinCandidate, *, keys_tried: bool, wide: bool
) -> bool:
    """Whether a reading is told beside the one that is believed.

    Args:
        candidate: The reading.
        best: The one that is believed.
        keys_tried: Whether a key is thought of even where the bytes read well without one.
        wide: Whether others are told in any case.
    """
    ours, theirs = candidate.form, best.form
    keyed = ours.last.family is Family.KEYED
    if keyed and theirs.last.family is not Family.KEYED:
        # Some key makes a text of any bytes, though hardly one with the check digit.
        asked = candidate.shape.check_digit and asks_for_check_digit(candidate.text)
        return keys_tried and candidate.shape.allowed and asked
    # Under another key the very same bytes are another VIN: told even where no standard allows it.
    if not (candidate.shape.allowed or (keyed and candidate.trace == best.trace)):
        return False
    if ours.is_packed or theirs.is_packed:
        # Packed texts have no borders to be weighed by: only another place in the same packing is
        # told.
        return ours.kinds == theirs.kinds
    if ours == theirs and _is_one_row(candidate, best):
        return True
    margin = _HARDLY_LESS_THAN_OTHERS if wide else _margin(candidate, best)
    return weigh_reading(best) - weigh_reading(candidate) < margin


def _is_one_row(candidate: VinCandidate, best: VinCandidate) -> bool:
    """Whether two readings of one form, which share bytes, are windows of one row."""
    if candidate.alone or best.alone or VIN_LENGTH in (candidate.run, best.run):
        return False
    return (candidate.row, candidate.tears) == (best.row, best.tears)


def _margin(candidate: VinCandidate, best: VinCandidate) -> int:
    """By how many bits less a reading is ruled out."""
    if best.run == VIN_LENGTH and (best.labelled or candidate.row <= VIN_LENGTH):
        # Without a label, a longer row may be the whole of which a wrong order shows seventeen.
        return _HARDLY_LESS_THAN_BORDERED
    if candidate.row > best.row:
        return _HARDLY_LESS
    checked = best.shape.check_digit and asks_for_check_digit(best.text)
    return _HARDLY_LESS_THAN_CHECKED if checked else _HARDLY_LESS


def _preference(candidate: VinCandidate) -> tuple[object, ...]:
    """Sorts the reading to believe first."""
    steps = candidate.form.steps
    rank = [(RANKS[step.kind], step.number) for step in steps]
    # Fewer steps, then the earlier form of the table; the place last, so that the order is always
    # the same.
    return -weigh_reading(candidate), len(steps), rank, candidate.trace.span
