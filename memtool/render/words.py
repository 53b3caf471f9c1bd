"""The one function that makes foreign text safe to print."""

from __future__ import annotations

from memtool.lazy import unicodedata

_JOINERS = "\u200c\u200d"
"""Format characters that some scripts need and that cannot reorder or hide text."""


def safe_text(text: str) -> str:
    """`text` with everything escaped that could act on a terminal or mislead a reader.

    Control characters (C0, DEL, C1), line and paragraph separators, bidirectional
    controls and other format characters, lone surrogates and unassigned code points
    become ``\\x1b``, ``\\u202e``, ``\\U000e0001``. All other text, in any alphabet,
    stays as it is.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escaped(character) for character in text)


def _escaped(character: str) -> str:
    if character == " " or character in _JOINERS:
        return character
    if unicodedata.category(character)[0] not in "CZ" or character in "\u00a0\u202f\u3000":
        return character
    code = ord(character)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"
