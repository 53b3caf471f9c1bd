"""One bench and one server of forks for each file of the strace sweep, and how much of it runs."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.faults.sweep_by_strace import Sweep, sweeping


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """With ``--first-part`` leave the other parts of each sweep out."""
    if not config.getoption("--first-part"):
        return
    others = [item for item in items if _part_of(item) > 0]
    config.hook.pytest_deselected(items=others)
    items[:] = [item for item in items if _part_of(item) == 0]


def _part_of(item: pytest.Item) -> int:
    if not isinstance(item, pytest.Function) or "sweep" not in item.fixturenames:
        return 0
    call = getattr(item, "callspec", None)
    return 0 if call is None else call.params.get("part", 0)


@pytest.fixture(scope="module")
def sweep() -> Iterator[Sweep]:
    with sweeping() as made:
        yield made
