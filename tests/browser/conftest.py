"""A real browser: Debian's Chromium, driven by Playwright, on files alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import axe_playwright_python
import pytest
from playwright.sync_api import Browser, Dialog, Page, ViewportSize, sync_playwright

from tests.needs import require

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
"""axe-core, as the package of its Playwright door ships it."""
DESKTOP = ViewportSize(width=1280, height=900)
PHONE = ViewportSize(width=390, height=844)


@dataclass
class Visit:
    """One page that is open, and what it tried that it must not."""

    page: Page
    requests: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    """Errors of scripts, and what the page's own policy refused."""

    def refuse(self, dialog: Dialog) -> None:
        """Note a dialog and close it."""
        self.dialogs.append(dialog.message)
        dialog.dismiss()

    def told(self) -> str:
        """What the page says beside its tools."""
        return self.page.locator("#told").inner_text()

    def status(self) -> str:
        """What it says of the selected byte."""
        return self.page.locator("#status").inner_text()

    def find(self, text: str, how: str = "text") -> None:
        """Type into the search and start it."""
        self.page.select_option("#how", how)
        self.page.fill("#wanted", text)
        self.page.press("#wanted", "Enter")

    def go_to(self, address: str) -> None:
        """Type an address."""
        self.page.fill("#address", address)
        self.page.press("#address", "Enter")

    def find_faults(self) -> list[str]:
        """What axe finds that weighs: serious and critical."""
        self.page.evaluate(AXE)
        result = self.page.evaluate(
            "async () => await axe.run(document, {resultTypes: ['violations']})"
        )
        return [
            f"{item['id']}: {[node['html'][:90] for node in item['nodes'][:3]]}"
            for item in result["violations"]
            if item["impact"] in ("serious", "critical")
        ]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = require("chromium")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=path,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield started
        started.close()


class Opener:
    """Opens files, and closes them when the test is over."""

    def __init__(self, browser: Browser) -> None:
        self._browser = browser
        self.visits: list[Visit] = []

    def __call__(self, path: Path, *, size: ViewportSize = DESKTOP, dark: bool = False) -> Visit:
        page = self._browser.new_page(viewport=size, color_scheme="dark" if dark else "light")
        page.set_default_timeout(5000)
        visit = Visit(page)
        page.on("request", lambda request: visit.requests.append(request.url))
        page.on("dialog", visit.refuse)
        page.on("pageerror", lambda error: visit.complaints.append(str(error)))
        page.on("console", lambda message: visit.complaints.append(message.text))
        page.goto(path.as_uri())
        self.visits.append(visit)
        return visit


@pytest.fixture
def visit(browser: Browser) -> Iterator[Opener]:
    """Opens a file; afterwards no page may have asked for anything, or run what is not ours."""
    opener = Opener(browser)
    yield opener
    for item in opener.visits:
        outside = [url for url in item.requests if not url.startswith(("file:", "data:"))]
        files = [url for url in item.requests if url.startswith("file:")]
        item.page.close()
        assert outside == []
        assert len(files) == 1, files
        assert item.dialogs == []
        assert item.complaints == []
