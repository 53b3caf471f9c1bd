"""The card that `blank` and `check` show before a memory is programmed."""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.job.programming import ProgrammingCard
from memtool.core.read_options import PLAIN
from memtool.core.span import format_span_with_length
from memtool.render.text import terminal
from memtool.render.values import digest_words


def render_cards(cards: Sequence[ProgrammingCard]) -> str:
    """For each memory what is programmed, and how."""
    width = terminal.terminal_width()
    return "\n\n".join(
        "\n".join(
            [
                terminal.heading(f"To program: {card.memory}"),
                *(
                    terminal.labelled(word, text, width=width, label_width=10)
                    for word, text in _card_rows(card)
                ),
            ]
        )
        for card in cards
    )


def _card_rows(card: ProgrammingCard) -> list[tuple[str, str]]:
    rows = [
        ("file", card.file),
        ("sha256", digest_words(card.file_sha256)),
        ("chip", card.chip),
        ("program", ", ".join(map(format_span_with_length, card.program)) or "nothing"),
        ("leave", ", ".join(map(format_span_with_length, card.leave))),
        ("byte order", "as in the chip" if card.byte_order == PLAIN else card.byte_order),
        ("erase", card.erase),
        ("locks", card.locks),
    ]
    return [(word, text) for word, text in rows if text]
