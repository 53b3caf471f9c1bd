"""Prepare a used control module's memory image for another vehicle, working on files only.

The names below are what a script may rely on; everything else may move. They are loaded
when first used, so that importing the package costs nothing. ``docs/python.md`` shows each
at work.

| name                                      | what it is                                      |
|-------------------------------------------|-------------------------------------------------|
| `parse_image`, `encode_image`             | bytes of a file to an `Image` and back          |
| `ImageFormat`                             | raw, Intel HEX, S-record                        |
| `Image`, `Span`                           | content at addresses; half-open address ranges  |
| `find_vins`, `find_identity`              | VINs and known identities in any stored form    |
| `explain_vin`                             | what a VIN says by itself                       |
| `parse_layout`, `decode_fields`           | a layout file, and the values in an image       |
| `check_checksum`                          | whether a checksum of a layout is right         |
| `get_algorithm`, `compute_value`          | one checksum of bytes                           |
| `discover_checksums`                      | which checksums unknown images carry            |
| `compare_images`                          | all that differs between two images             |
| `MemtoolError`                            | base of every error                             |
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from memtool.core.checksums.algorithms import compute_value, get_algorithm
    from memtool.core.checksums.checksum import check_checksum
    from memtool.core.comparing.difference import compare_images
    from memtool.core.discovery.search import discover_checksums
    from memtool.core.image import Image
    from memtool.core.layouts.layout import decode_fields
    from memtool.core.read_options import ImageFormat
    from memtool.core.span import Span
    from memtool.core.texts.identity_search import find_identity
    from memtool.core.texts.vin import explain_vin
    from memtool.core.texts.vin_search import find_vins
    from memtool.errors import MemtoolError
    from memtool.formats.codec import encode_image, parse_image
    from memtool.formats.layout_toml.parsing import parse_layout

_HOMES = {
    "Image": "memtool.core.image",
    "ImageFormat": "memtool.formats.parsed",
    "MemtoolError": "memtool.errors",
    "Span": "memtool.core.span",
    "check_checksum": "memtool.core.checksums.checksum",
    "compare_images": "memtool.core.comparing.difference",
    "compute_value": "memtool.core.checksums.algorithms",
    "decode_fields": "memtool.core.layouts.layout",
    "discover_checksums": "memtool.core.discovery.search",
    "encode_image": "memtool.formats.codec",
    "explain_vin": "memtool.core.texts.vin",
    "find_identity": "memtool.core.texts.identity_search",
    "find_vins": "memtool.core.texts.vin_search",
    "get_algorithm": "memtool.core.checksums.algorithms",
    "parse_image": "memtool.formats.codec",
    "parse_layout": "memtool.formats.layout_toml.parsing",
}

__all__ = [
    "Image",
    "ImageFormat",
    "MemtoolError",
    "Span",
    "check_checksum",
    "compare_images",
    "compute_value",
    "decode_fields",
    "discover_checksums",
    "encode_image",
    "explain_vin",
    "find_identity",
    "find_vins",
    "get_algorithm",
    "parse_image",
    "parse_layout",
]


def __dir__() -> list[str]:
    return __all__


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'memtool' has no attribute '{name}'")
    return getattr(importlib.import_module(_HOMES[name]), name)
