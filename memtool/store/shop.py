"""The shop's own name, address and logo, for the reports of all jobs: one file of the user's."""

from __future__ import annotations

import base64
import binascii
import json
import os
from pathlib import Path

from memtool.core.report.report import ShopProfile
from memtool.errors import InputError, UsageError
from memtool.lazy import platformdirs
from memtool.store.folder import open_folder
from memtool.store.locking import hold_lock
from memtool.store.reading import read_file
from memtool.store.writing import make_folder, replace_in

SHOP_FORMAT = "benchimage.shop/1"
_NAME = "shop.json"
_LIMIT = 24 * 1024 * 1024


def default_shop_folder() -> Path:
    """``BENCHIMAGE_SHOP``, or ``shop`` in the user's data folder."""
    chosen = os.environ.get("BENCHIMAGE_SHOP")
    if chosen:
        return Path(chosen)
    return platformdirs.user_data_path("benchimage", appauthor=False) / "shop"


def read_shop(folder: Path) -> ShopProfile | None:
    """What the shop said of itself; None where it said nothing yet.

    Raises:
        InputError: the file is no profile, or cannot be read.
    """
    path = folder / _NAME
    if not path.exists():
        return None
    try:
        facts = json.loads(read_file(path, limit=_LIMIT).data)
        if facts.pop("format") != SHOP_FORMAT:
            raise ValueError("of another version")
        logo = facts.pop("logo")
        name, address = facts.pop("name"), facts.pop("address")
        if facts or not isinstance(name, str) or not all(isinstance(line, str) for line in address):
            raise ValueError("of another shape")
        return ShopProfile(
            name=name,
            address=tuple(address),
            logo=None if logo is None else base64.b64decode(logo, validate=True),
        )
    except (ValueError, KeyError, TypeError, AttributeError, binascii.Error) as error:
        raise InputError(
            "this is no profile of a shop",
            code="shop-profile",
            file=str(path),
            next_step="take the file away and give the name again: benchimage job shop --name TEXT",
        ) from error


def keep_shop(folder: Path, profile: ShopProfile) -> None:
    """Put the profile in the place of the one before.

    Raises:
        UsageError: it has no name.
        StoreError: it cannot be written.
    """
    if not profile.name.strip():
        raise UsageError(
            "the shop has no name", code="missing-answer", next_step="give --name TEXT"
        )
    facts = {
        "format": SHOP_FORMAT,
        "name": profile.name,
        "address": list(profile.address),
        "logo": None if profile.logo is None else base64.b64encode(profile.logo).decode("ascii"),
    }
    make_folder(folder)
    with hold_lock(folder / "lock"), open_folder(folder) as opened:
        replace_in(opened, _NAME, json.dumps(facts, indent=1).encode("ascii") + b"\n")
