"""A search for checksums in lines for the terminal: every row with its evidence in plain words."""

from __future__ import annotations

import textwrap

from memtool.core.discovery import (
    CONVINCING,
    DiscoveredBlock,
    Discovery,
    Equivalent,
    Placement,
    Standing,
    UnknownConstants,
)
from memtool.core.span import Span, format_address, format_span, format_span_with_length
from memtool.core.words import count_of
from memtool.render.text.checksum_text import value_hex

_LABEL = 12
_STANDINGS = {
    Standing.CONVINCING: "found",
    Standing.WEAK: "may be chance",
    Standing.GUESS: "a guess",
}
_PLACEMENTS = {
    Placement.AFTER_BLOCK: "right after the block",
    Placement.IMAGE_END: "at the image's end",
    Placement.DIFFERING: "where the images differ",
    Placement.GIVEN: "in the span given",
    Placement.INSIDE: "anywhere in a block of constant total",
}


def render_discovery(found: Discovery, *, width: int) -> str:
    """All rows, what limits them, and what was searched; no line is wider than `width`."""
    parts = [_row(number, block, width) for number, block in enumerate(found.blocks, 1)]
    if found.truncated:
        parts.append(_wrapped(_truncated(found), width))
    parts += [_wrapped(text, width) for text in found.notes]
    parts.append(_searched(found, width))
    return "\n\n".join(parts)


def discovery_answer(found: Discovery) -> str:
    """What the search came to, in one sentence."""
    certain = sum(block.standing is Standing.CONVINCING for block in found.blocks)
    others = len(found.blocks) - certain
    if certain:
        more = f"; {count_of(others, 'more row')} may be chance" if others else ""
        return f"{count_of(certain, 'checksum')} found{more}."
    if others:
        return f"No checksum is certain: {count_of(others, 'row')} below may be chance."
    return "No checksum found."


def chance_in_words(expected: float) -> str:
    """How many such blocks chance makes, as people say it."""
    if expected >= 100:
        return f"about {float(f'{expected:.2g}'):,.0f}"
    if expected >= 0.01:
        return f"about {expected:.2g}"
    if expected < 1e-9:
        return "fewer than one in a billion searches"
    return f"one in about {float(f'{1 / expected:.1g}'):,.0f} searches"


def _row(number: int, block: DiscoveredBlock, width: int) -> str:
    lines = [f"{number}  {_name(block)}: {_STANDINGS[block.standing]}"]
    for label, text in _facts(block):
        lines += textwrap.wrap(
            text,
            width,
            initial_indent=f"   {label.ljust(_LABEL)}",
            subsequent_indent=" " * (3 + _LABEL),
            break_on_hyphens=False,
        )
    return "\n".join(lines)


def _name(block: DiscoveredBlock) -> str:
    order = "" if block.byte_order is None else f", {block.byte_order}-endian"
    swapped = ", 16-bit words swapped" if block.word_swapped else ""
    total = "" if block.total is None else f", total 0x{block.total:02X}"
    return f"{block.algorithm}{order}{swapped}{total}"


def _facts(block: DiscoveredBlock) -> list[tuple[str, str]]:
    facts = [("block", format_span_with_length(block.block))]
    if block.field is not None:
        place = _PLACEMENTS[block.placement]
        if block.block.contains(block.field):
            place = f"inside the block, {place}"
        facts.append(("number", f"{format_span(block.field)}, {place}"))
    else:
        facts.append(("number", "inside the block, place unknown: only the total is constant"))
    facts.append(("evidence", _evidence(block)))
    if block.unknown is not None:
        facts += _unknown(block.unknown)
    elif block.start_expected_by_chance >= CONVINCING:
        facts.append(
            (
                "start" if block.placement is Placement.AFTER_BLOCK else "borders",
                f"others that fit by chance: {_other_borders(block)}",
            )
        )
    facts += [("or", _equivalent(equivalent, block)) for equivalent in block.equivalents[:3]]
    more = sum(equivalent.count for equivalent in block.equivalents[3:])
    if more:
        facts.append(("or", f"{count_of(more, 'more reading')} (--json lists them)"))
    return facts


def _other_borders(block: DiscoveredBlock) -> str:
    return chance_in_words(block.start_expected_by_chance)


def _evidence(block: DiscoveredBlock) -> str:
    numbers = ", ".join(str(number) for number in block.images)
    noun = "image" if len(block.images) == 1 else "images"
    return f"{noun} {numbers}; expected by chance: {chance_in_words(block.expected_by_chance)}"


def _unknown(unknown: UnknownConstants) -> list[tuple[str, str]]:
    width = unknown.width
    pairs = [
        f"init {value_hex(init, width)} with xorout {value_hex(xorout, width)}"
        for init, xorout in unknown.pairs
    ]
    made = value_hex(unknown.constant, width)
    text = (
        f"start value and final XOR are in no catalogue; together they make {made} for a block"
        f" of this length. Possible: {'; '.join(pairs)}."
    )
    return [("constants", text)]


def _equivalent(equivalent: Equivalent, block: DiscoveredBlock) -> str:
    starts, ends = equivalent.starts, equivalent.ends
    text = f"{equivalent.algorithm}"
    if equivalent.byte_order:
        text += f" ({equivalent.byte_order}-endian)"
    first, last = _places(starts, 0, equivalent.start_step), _places(ends, -1, equivalent.end_step)
    text += f" from {first} to {last}"
    if equivalent.field is not None and equivalent.field != block.field:
        text += f", number {format_span(equivalent.field)}"
    if equivalent.count > 1:
        text += f", {count_of(equivalent.count, 'reading')}"
    return text


def _places(runs: tuple[Span, ...], shift: int, step: int) -> str:
    shown = []
    for run in runs[:3]:
        first, last = run.start + shift, run.end - 1 + shift
        alone = format_address(first)
        shown.append(alone if first == last else f"{alone} … {format_address(last)}")
    return ", ".join(shown) + (", …" if len(runs) > 3 else "") + (" by twos" if step > 1 else "")


def _truncated(found: Discovery) -> str:
    return (
        f"{count_of(found.truncated, 'more row')} not listed; expected by chance alone in this "
        f"search: {chance_in_words(found.expected_by_chance)} (--guesses N lists some)."
    )


def _searched(found: Discovery, width: int) -> str:
    lines = ["Searched"]
    spans = ", ".join(format_span_with_length(span) for span in found.spans[:4]) or "nothing"
    more = " and more" if len(found.spans) > 4 else ""
    count = count_of(len(found.algorithms), "algorithm")
    texts = [
        f"{count} (--json names them), both byte orders, 32-bit numbers also word-swapped.",
        f"Blocks of all lengths in {spans}{more}.",
    ]
    for placement in found.placements:
        text = f"Number {_PLACEMENTS[placement.placement]}"
        if placement.places is not None:
            text += f": {count_of(placement.places, 'place')}"
        texts.append(f"{text}. {placement.left_out or ''}".strip())
    for text in texts:
        lines += textwrap.wrap(
            text, width, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False
        )
    return "\n".join(lines)


def _wrapped(text: str, width: int) -> str:
    return "\n".join(textwrap.wrap(text, width, break_on_hyphens=False))
