"""Prepare a used control module's memory image for another vehicle, on files alone.

The names below are what a script may rely on; everything else may move. They are loaded
when first used, so that importing the package costs nothing.

>>> import memtool
>>> image = memtool.parse_image(bytes(range(16))).image
>>> image.size
16

| name                                      | what it is                                      |
|-------------------------------------------|-------------------------------------------------|
| `parse_image`, `encode_image`             | bytes of a file to an `Image` and back          |
| `Image`, `Span`                           | content at addresses; half-open address ranges  |
| `find_vins`, `find_identity`              | VINs and known identities in any stored form    |
| `explain_vin`                             | what a VIN says by itself                       |
| `compute_value`, `get_algorithm`          | one checksum of bytes                           |
| `parse_layout`, `decode_fields`           | a layout file, and the values in an image       |
| `MemtoolError`                            | base of every error                             |
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from memtool.core.checksums.algorithms import compute_value, get_algorithm
    from memtool.core.identity.known_identity import find_identity, find_vins
    from memtool.core.identity.vin import explain_vin
    from memtool.core.image import Image
    from memtool.core.layouts.layout import decode_fields
    from memtool.core.span import Span
    from memtool.errors import MemtoolError
    from memtool.formats.codec import encode_image, parse_image
    from memtool.store.layout_files.layouts import parse_layout

__all__ = [
    "Image",
    "MemtoolError",
    "Span",
    "compute_value",
    "decode_fields",
    "encode_image",
    "explain_vin",
    "find_identity",
    "find_vins",
    "get_algorithm",
    "parse_image",
    "parse_layout",
]

_HOMES = {
    "Image": "memtool.core.image",
    "MemtoolError": "memtool.errors",
    "Span": "memtool.core.span",
    "compute_value": "memtool.core.checksums.algorithms",
    "decode_fields": "memtool.core.layouts.layout",
    "encode_image": "memtool.formats.codec",
    "explain_vin": "memtool.core.identity.vin",
    "find_identity": "memtool.core.identity.known_identity",
    "find_vins": "memtool.core.identity.known_identity",
    "get_algorithm": "memtool.core.checksums.algorithms",
    "parse_image": "memtool.formats.codec",
    "parse_layout": "memtool.store.layout_files.layouts",
}


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'memtool' has no attribute '{name}'")
    return getattr(importlib.import_module(_HOMES[name]), name)
