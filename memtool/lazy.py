"""The one place where a heavy module is bound late.

`from memtool.lazy import np` gives a name that stands for numpy, and loads it at the first
use of an attribute: a command that never computes does not pay for it. To a type checker
each name is the module itself. A few are Python's own: a command that does no work would
feel them. What a start must not cost is measured by `tests/test_start_cost.py`.

A module of an extra (typst) that is not installed raises `ImportError` at its first use,
as an import would.
"""

from __future__ import annotations

import importlib
from types import ModuleType
from typing import TYPE_CHECKING

__all__ = [
    "anycrc",
    "anycrc_models",
    "bitstring",
    "construct",
    "filelock",
    "hashlib",
    "intelhex",
    "jinja2",
    "json",
    "late_module",
    "np",
    "pathlib",
    "platformdirs",
    "pydantic",
    "pydantic_core",
    "secrets",
    "shutil",
    "textwrap",
    "tomlkit",
    "tomlkit_items",
    "traceback",
    "typst",
    "unicodedata",
]


class _LateModule(ModuleType):
    """Stands for a module until an attribute is asked for; then holds all that it holds."""

    def __getattr__(self, attribute: str) -> object:
        """Only called for what is not held yet, so that a loaded module costs nothing more."""
        name = self.__name__
        module = importlib.import_module(name)
        held = {key: value for key, value in vars(module).items() if not key.startswith("__")}
        self.__dict__.update(held)
        return getattr(module, attribute)


def late_module(name: str) -> ModuleType:
    """A stand-in for the module `name`, which is loaded at the first use of an attribute."""
    return _LateModule(name)


if TYPE_CHECKING:
    import hashlib
    import json
    import pathlib
    import secrets
    import shutil
    import textwrap
    import traceback
    import unicodedata

    import anycrc
    import anycrc.models as anycrc_models
    import bitstring
    import construct
    import filelock
    import intelhex
    import jinja2
    import numpy as np
    import platformdirs
    import pydantic
    import pydantic_core
    import tomlkit
    import tomlkit.items as tomlkit_items
    import typst
else:
    anycrc = late_module("anycrc")
    anycrc_models = late_module("anycrc.models")
    bitstring = late_module("bitstring")
    construct = late_module("construct")
    filelock = late_module("filelock")
    hashlib = late_module("hashlib")
    intelhex = late_module("intelhex")
    jinja2 = late_module("jinja2")
    json = late_module("json")
    np = late_module("numpy")
    pathlib = late_module("pathlib")
    platformdirs = late_module("platformdirs")
    pydantic = late_module("pydantic")
    pydantic_core = late_module("pydantic_core")
    secrets = late_module("secrets")
    shutil = late_module("shutil")
    textwrap = late_module("textwrap")
    tomlkit = late_module("tomlkit")
    tomlkit_items = late_module("tomlkit.items")
    traceback = late_module("traceback")
    typst = late_module("typst")
    unicodedata = late_module("unicodedata")
