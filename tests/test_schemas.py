"""Every published schema holds for real output, and is closed: no key can go or change type."""

from __future__ import annotations

import copy
import hashlib
import json
import shutil
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest

from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, blanked_memory, module_memory
from tests.command_line import SCHEMAS, run_benchimage
from tests.workflow.jobs import DONOR, KEEP, ORDER, Bench, new_bench

Path_ = tuple[str | int, ...]


@pytest.fixture(scope="module")
def documents(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """One real document of every command, by the name of its schema."""
    bench = new_bench(tmp_path_factory.mktemp("schemas") / "bench")
    found: dict[str, dict[str, Any]] = {}

    def run(*arguments: str) -> None:
        done = bench.run(*arguments, "--json")
        document = json.loads(done.stdout)
        found[document["schema"].removeprefix("benchimage.").partition("/")[0]] = document

    bench.write("d3.bin", blanked_memory(DONOR))
    bench.write("label.txt", b"label")
    order = json.loads(bench.start("--json").stdout)
    found["start"] = order
    job = ("--job", "job")
    run("inspect", "d1.bin", "d3.bin", "--layout", "module.toml", "--chip", "24C02")
    run("vin", DONOR_VIN)
    run("find", DONOR_VIN, "d1.bin")
    run("compare", "d1.bin", "d3.bin", "--layout", "module.toml")
    run("checksum", "list")
    run("checksum", "compute", "d1.bin", "--algorithm", "CRC-16/IBM-3740", "--span", "0x10-0x21")
    run("checksum", "check", "d1.bin", "--layout", "module.toml")
    run("checksum", "discover", "d1.bin", "o1.bin")
    run("layout", "check", "module.toml", "--against", "d1.bin")
    run("layout", "show", "module.toml", "--image", "d1.bin")
    run("layout", "add", "module.toml")
    run("layout", "draft", "d1.bin", "o1.bin", "--chip", "24C02", "--out", "draft.toml")
    guesses = (found["layout-draft"][kind] for kind in ("regions", "checksums"))
    accepted = [part for guess in guesses for item in guess for part in ("--accept", item["name"])]
    run("layout", "review", "draft.toml", "--by", "N. N.", *accepted)
    run("backup", "add", "d1.bin", "d2.bin", "--role", "donor", "--chip", "24C02")
    backup = found["backup-add"]["backups"][0]["id"]
    run("backup", "list")
    run("backup", "check")
    run("backup", "restore", backup, "--out", "restored.bin")
    run("convert", "d1.bin", "d1.hex", "--to", "intel-hex")
    run("convert", "d1.bin", "d2.hex", "--to", "intel-hex", "--span", "0+300", "--fill", "0xFF")
    found["convert-note"] = json.loads((bench.folder / "d2.hex.note.json").read_text())
    run("blank", "donor", *KEEP, "--confirm", "042788", *job)
    run("check", "--stage", "before-writing", *job)
    run("job", "note", "text", *job)
    run("job", "attach", "label.txt", *job)
    run("job", "show", *job)
    run("job", "export", "whole.zip", *job)
    shutil.unpack_archive(bench.folder / "whole.zip", bench.folder / "unpacked")
    run("job", "adopt", "unpacked/job-job", "--store", "other-store")
    run("check", "--reported-vin", VEHICLE_VIN, "--codes", "B1", *job)
    run("job", "test", "both doors lock", "--result", "ok", *job)
    run("job", "decide", "codes", "an old code, cleared", "--name", "N. N.", *job)
    run("job", "show", *job)
    run("report", *job)
    run("job", "list", "d1.bin")
    said = run_benchimage(
        *("job", "shop", "--name", "N. N.", "--address", "4 Mill Lane", "--json"),
        BENCHIMAGE_SHOP=str(bench.folder / "shop"),
    )
    found["job-shop"] = json.loads(said.stdout)
    for number in range(3):
        bench.write(f"s{number}.bin", DONOR[:-1] + bytes([number == 2]))
        bench.run("start", *job, "--sitting", "later", "--donor", f"s{number}.bin")
    run("job", "majority", "donor", *job)
    run_finished_job(bench)
    run("layout", "learn", "--job", "job2", "--out", "learned.toml")
    run("doctor")
    run("inspect", "no-such-file.bin")
    return found


def run_finished_job(bench: Bench) -> None:
    """A job that ended well, in its folder `job2`; its layout does not know the options."""
    options = LAYOUT.index('[[region]]\nname = "options"')
    known = LAYOUT[:options] + LAYOUT[LAYOUT.index("[[region]]", options + 1) :]
    bench.write("short.toml", known.encode())
    job = ("--job", "job2")
    bench.run(
        *("start", "--chip", "24C02", "--layout", "short.toml", "--reseated", *ORDER, *job),
        *("--original", "o1.bin", "--original", "o2.bin"),
        *("--donor", "d1.bin", "--donor", "d2.bin"),
    )
    bench.run("blank", "donor", "--confirm", "042788", *job)
    bench.write("f1.bin", module_memory(VEHICLE_VIN, options=bytes(16), starts=0xFFFFFFFF))
    bench.run("check", "f1.bin", "--stage", "after-setup", *job)
    bench.run("job", "decide", "changed-bytes", "options, as ordered", "--name", "N. N.", *job)


def test_every_schema_is_met_by_a_real_document(documents: dict[str, dict[str, Any]]) -> None:
    for name, document in documents.items():
        schema = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
        jsonschema.Draft202012Validator.check_schema(schema)
        jsonschema.Draft202012Validator(schema).validate(document)


def test_no_key_can_be_taken_away_or_change_its_type(
    documents: dict[str, dict[str, Any]],
) -> None:
    loose = []
    for name, document in documents.items():
        schema = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
        validator = jsonschema.Draft202012Validator(schema)
        for path in sorted(set(keys_of(document)), key=str):
            for what, spoilt in (
                ("removed", without(document, path)),
                ("retyped", with_value(document, path, {"not": ["of", "this", "type"]})),
            ):
                if validator.is_valid(spoilt):
                    loose.append(f"{name}: {'.'.join(map(str, path))} {what}")
        if validator.is_valid({**document, "unknown": 1}):
            loose.append(f"{name}: takes an unknown key")
    assert loose == []


def test_every_command_that_speaks_json_has_a_schema(
    documents: dict[str, dict[str, Any]],
) -> None:
    published = {path.stem for path in SCHEMAS.glob("*.json")}
    assert set(documents) == published


def keys_of(value: Any, path: Path_ = ()) -> Iterator[Path_]:
    """The path of every key, the first item of each list standing for all."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield (*path, key)
            yield from keys_of(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value[:3]):
            yield from keys_of(inner, (*path, index))


def with_value(document: Any, path: Path_, value: Any) -> Any:
    spoilt = copy.deepcopy(document)
    place = spoilt
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return spoilt


def without(document: Any, path: Path_) -> Any:
    spoilt = copy.deepcopy(document)
    place = spoilt
    for step in path[:-1]:
        place = place[step]
    del place[path[-1]]
    return spoilt


RELEASED = {
    "backup-add": "d1549d39f63a0f90",
    "backup-check": "0fbb71b8c07b7b9a",
    "backup-list": "301c0d3fce68842e",
    "backup-restore": "396e26bf8e8c9a7c",
    "blank": "ae0cc51009e786fd",
    "check": "bb46bc0c726812ca",
    "checksum-check": "99ea496dedbd5794",
    "checksum-compute": "bfe00187bb009938",
    "checksum-discover": "d1ee5de574bba3b4",
    "checksum-list": "bfa6e475216eef45",
    "compare": "020d8ec49a187854",
    "convert-note": "884c33f3810fc8c9",
    "convert": "33ca627d5c4a6cca",
    "doctor": "9b2c309e7fd9f8ef",
    "error": "7de7cdeeb4769e24",
    "find": "620c592b3592efb5",
    "inspect": "1b5df96d7201bc9a",
    "job-attach": "2a694d20157ebd04",
    "job-note": "758c4a6ee81920bf",
    "job-show": "ce95003ea62d6679",
    "layout-add": "b8f2e5611c569cf0",
    "layout-check": "2a1ec69f5273d6cd",
    "layout-draft": "0cbde035ee98ef65",
    "layout-review": "c57246c558305f75",
    "layout-show": "14bf98dc5db3c28d",
    "report": "8e98b5c9c0e3b3b3",
    "start": "4fd2d955e368a4ca",
    "vin": "a2a491159896ee3f",
}
"""The schemas of version 0.1.0: first digits of the SHA-256 of each, keys sorted."""


@pytest.mark.parametrize("name", sorted(RELEASED))
def test_a_shape_that_changed_since_a_release_counts_up(name: str) -> None:
    schema = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
    digest = hashlib.sha256(json.dumps(schema, sort_keys=True).encode()).hexdigest()[:16]
    is_first = schema["$id"].endswith("/1")
    assert is_first is (digest == RELEASED[name])
