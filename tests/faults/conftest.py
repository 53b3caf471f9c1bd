"""One bench and one server of forks for each file of the strace sweep, and how much of it runs."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.faults.sweep_by_strace import Sweep, sweeping


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """With ``--sweep-parts`` leave the first part of each sweep out, or the later ones."""
    left_out = {"all": (), "first": range(1, 99), "later": (0,)}[config.getoption("--sweep-parts")]
    others = [item for item in items if _part_of(item) in left_out]
    config.hook.pytest_deselected(items=others)
    items[:] = [item for item in items if item not in others]


def _part_of(item: pytest.Item) -> int | None:
    """None: a test that is no part of a sweep. A sweep over every sixth call is a first part."""
    if not isinstance(item, pytest.Function) or "sweep" not in item.fixturenames:
        return None
    call = getattr(item, "callspec", None)
    if call is None or "fault" not in call.params:
        return None
    part: int = call.params.get("part", 0)
    return part


@pytest.fixture(scope="module")
def sweep() -> Iterator[Sweep]:
    with sweeping() as made:
        yield made
