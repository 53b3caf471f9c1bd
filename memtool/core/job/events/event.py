"""What every event of a job carries, and how it is written to JSON facts and read again.

An event is a plain frozen dataclass: making one costs nothing and checks what it says.
Only reading and writing use pydantic, which holds every value, at any depth, to the type
that its class names (no text for a number, no truth value for a number, no unknown key).
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from enum import StrEnum
from typing import Any, ClassVar, Self

from memtool.lazy import pydantic

_OUTSIDE = frozenset({"number", "time"})
"""Fields that the journal's line holds, beside the facts."""
_READERS: dict[str, tuple[frozenset[str], Callable[[str], Any]]] = {}
"""By kind: the names of its facts, and what reads them from JSON text."""
_ADAPTERS: dict[str, pydantic.TypeAdapter[Any]] = {}
_encode = json.JSONEncoder(ensure_ascii=True).encode
_LONE = re.compile("[\\ud800-\\udfff]")
"""What Python makes of a byte of a file's name that is not UTF-8; pydantic takes no such text."""
_PRIVATE = 0x100000
"""Added to such a code it gives one of a private area, which no name of a file is made of."""
_HIDDEN = re.compile("[\\U0010d800-\\U0010dfff]")
_LONG = 1 << 16
"""Characters of a text from which on it is looked at whether they are hex digits alone."""
_MARK = "\0 long \0"
"""Stands for such a text while the others are written as JSON."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What an event was about, by digest, so that a later change shows. None: nothing such."""

    layout: str | None = None
    """SHA-256 of the layout's file."""
    file: str | None = None
    """Digest of the image that was, or is to be, written."""
    backups: tuple[str, ...] | None = None
    """Ids in the backup store: the first digits of each backup's own digest."""
    vehicle_vin: str | None = None
    """SHA-256 of the order's VIN."""
    module_kind: str | None = None
    """SHA-256 of the order's word for it."""
    reads: tuple[str, ...] | None = None
    """Digest of the image in each read that was looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happened to a job."""

    kind: ClassVar[str]
    """Name in the journal, lower-case, hyphenated; never changed once released."""
    __pydantic_config__: ClassVar[dict[str, Any]] = {
        "strict": True,
        "extra": "forbid",
        "val_json_bytes": "hex",
        "ser_json_bytes": "hex",
        "allow_inf_nan": False,
    }

    memory: str | None = None
    """Name of the memory that it is about; None: the whole job."""
    judged: Judged = Judged()
    tool: str = ""
    """Version of benchimage that wrote it."""
    intent: int | None = None
    """Number of the entry that announced the files it speaks of; None: it wrote none."""
    number: int = 0
    """Of its line in the journal, from 1; 0: not written yet."""
    time: str = ""
    """Of its line, ISO 8601 with zone."""

    @property
    def title(self) -> str:
        """The kind as it stands in the journal, also of an event that this version cannot read."""
        return self.kind

    def to_facts(self) -> dict[str, Any]:
        """The event as JSON values, without what its line says already."""
        facts = _adapter(type(self)).dump_python(self, mode="json", exclude=set(_OUTSIDE))
        assert isinstance(facts, dict)
        return facts

    @classmethod
    def from_facts(cls, facts: Mapping[str, Any], *, number: int, time: str) -> Self:
        """The event that `to_facts` wrote.

        Raises:
            ValueError: a fact is missing, unknown or of another type; names it in quotes.
        """
        return cls.from_text(_encode(facts), facts, number=number, time=time)

    @classmethod
    def from_text(cls, text: str, facts: Mapping[str, Any], *, number: int, time: str) -> Self:
        """As `from_facts`, where the facts are also there as JSON text in plain ASCII.

        Raises:
            ValueError: as `from_facts`.
        """
        names, validate = _READERS.get(cls.kind) or _reader(cls)
        if names != facts.keys():
            raise ValueError(f"'{min(names ^ facts.keys())}'")
        # One sign is found in megabytes of hex digits ten times as fast as three.
        given = _hide(text) if "\\" in text and "\\ud" in text else text
        try:
            event = validate(given)
        except pydantic.ValidationError as error:
            first = error.errors(include_url=False)[0]
            place = ".".join(str(part) for part in first["loc"])
            raise ValueError(f"'{place}'" if place else first["msg"]) from error
        event = event if given is text else _shown_again(event)
        assert isinstance(event, cls)
        # Nobody else has it yet. Said here, they are not written as JSON and read again.
        object.__setattr__(event, "number", number)
        object.__setattr__(event, "time", time)
        return event


def facts_to_text(facts: Mapping[str, Any]) -> str:
    """Facts as `json.dumps` writes them, in plain ASCII.

    It looks at each letter of a text. Hex digits need none of that, and of a large region there
    are megabytes.
    """
    long: list[str] = []
    text = json.dumps(_marked(facts, long), ensure_ascii=True, allow_nan=False)
    parts = text.split(json.dumps(_MARK))
    if len(parts) != len(long) + 1:
        # A person has written the mark.
        return json.dumps(facts, ensure_ascii=True, allow_nan=False)
    pieces = parts[:1]
    for digits, behind in zip(long, parts[1:], strict=True):
        pieces += ('"', digits, '"', behind)
    return "".join(pieces)


def _marked(value: Any, long: list[str]) -> Any:
    """The value with a mark for each long text of hex digits, which go to `long`, in order."""
    if isinstance(value, str) and len(value) >= _LONG and _are_digits(value):
        long.append(value)
        return _MARK
    if isinstance(value, Mapping):
        return {key: _marked(inner, long) for key, inner in value.items()}
    # Long lists are of numbers.
    if isinstance(value, list | tuple) and value and not isinstance(value[0], int):
        return [_marked(inner, long) for inner in value]
    return value


def _are_digits(text: str) -> bool:
    try:
        # It passes over blanks.
        return 2 * len(bytes.fromhex(text)) == len(text)
    except ValueError:
        return False


def _reader(event: type[Event]) -> tuple[frozenset[str], Callable[[str], Any]]:
    names = frozenset(item.name for item in fields(event)) - _OUTSIDE
    _READERS[event.kind] = names, _adapter(event).validator.validate_json
    return _READERS[event.kind]


def _adapter(event: type[Event]) -> pydantic.TypeAdapter[Any]:
    """Made once for each kind: it takes pydantic some milliseconds."""
    if event.kind not in _ADAPTERS:
        _ADAPTERS[event.kind] = pydantic.TypeAdapter(event)
    return _ADAPTERS[event.kind]


def _hide(text: str) -> str:
    """JSON text with every lone surrogate hidden; the very same text where there is none."""
    plain = json.dumps(json.loads(text), ensure_ascii=False)
    hidden = _LONE.sub(lambda found: chr(_PRIVATE + ord(found[0])), plain)
    return text if hidden == plain else hidden


def _shown_again(value: Any) -> Any:
    """The value with every hidden code given back, at any depth."""
    if isinstance(value, StrEnum):
        return value
    if isinstance(value, str):
        return _HIDDEN.sub(lambda found: chr(ord(found[0]) - _PRIVATE), value)
    if isinstance(value, tuple):
        return tuple(map(_shown_again, value))
    if isinstance(value, Mapping):
        return {_shown_again(key): _shown_again(inner) for key, inner in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        changed = {item.name: _shown_again(getattr(value, item.name)) for item in fields(value)}
        return replace(value, **changed)
    return value
