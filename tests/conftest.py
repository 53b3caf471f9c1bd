"""With CI=true a skipped test is a failure: what CI does not run, nobody runs."""

from __future__ import annotations

import os
from collections.abc import Generator
from typing import Any

import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, Any, pytest.TestReport]:
    """Turn skips into failures on the CI machine."""
    report: pytest.TestReport = yield
    if os.environ.get("CI") == "true" and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, which counts as a failure with CI=true: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """The same for a whole file that skips itself."""
    report = yield
    if os.environ.get("CI") == "true" and report.skipped:
        report.outcome = "failed"
        report.longrepr = f"skipped, which counts as a failure with CI=true: {report.longrepr}"
    return report
