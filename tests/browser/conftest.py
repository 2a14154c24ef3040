"""A headless Chromium for the tests of pages: Debian's, driven by playwright; nothing is downloaded."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
WIDE, PHONE = {"width": 1200, "height": 900}, {"width": 390, "height": 844}


@pytest.fixture(autouse=True)
def _quick_sync(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make every sync return at once: these tests write takes, and are not about disks."""
    from runner.takes import files

    monkeypatch.setattr(os, "fsync", lambda fd: None)
    monkeypatch.setattr(files, "data_sync", lambda fd: None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """A browser; without one the tests are skipped, but fail where CI=true."""
    program = next((found for name in NAMES if (found := shutil.which(name))), None)
    if program is None:
        reason = "no Chromium here; install the Debian package chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    playwright = pytest.importorskip("playwright.sync_api", reason="pip install playwright")
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
        yield chromium
        chromium.close()


class Opened:
    """A page in a browser, with what it complained of and asked for."""

    def __init__(self, browser: Any, file: Path, scheme: str, size: dict[str, int]) -> None:
        self.context = browser.new_context(color_scheme=scheme, viewport=size, bypass_csp=False)
        self.context.set_default_timeout(100_000)  # a busy computer is no fault of a page
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.file = file
        self.page.goto(file.as_uri())

    def violations(self) -> list[tuple[str, list[str]]]:
        """Return what axe-core (all its rules, good practice too) objects to, with all tables open."""
        axe = pytest.importorskip("axe_playwright_python.sync_playwright")
        self.page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        found = axe.Axe().run(self.page).response
        assert len(found["passes"]) > 15
        return [
            (rule["id"], [node["html"][:120] for node in rule["nodes"]][:3]) for rule in found["violations"]
        ]

    def settled(self) -> None:
        """Wait for the next two frames: a move is drawn in one."""
        self.page.evaluate("() => new Promise(d => requestAnimationFrame(() => requestAnimationFrame(d)))")

    def readout(self) -> str:
        """Return which bars are in view, in the page's own words."""
        self.settled()
        return str(self.page.inner_text("#readout"))

    def bars(self, plot: str) -> list[int]:
        """Return the bar numbers on a plot's axis."""
        texts = self.page.eval_on_selector_all(
            f"#plot-{plot} text.faint", "all => all.map(t => t.textContent)"
        )
        return [int(text) for text in texts if text.lstrip("-").isdigit()]

    def shot(self, name: str) -> None:
        """Keep a picture of the whole page, if somebody wants to look at it: TAKEWRIGHT_SHOTS=folder."""
        folder = os.environ.get("TAKEWRIGHT_SHOTS")
        if folder:
            self.page.screenshot(path=f"{folder}/{name}.png", full_page=True)


@pytest.fixture
def opened(browser: Any) -> Iterator[Callable[..., Opened]]:
    """Open a file as a page: light or dark, wide or as on a phone."""
    pages: list[Opened] = []

    def open_it(file: Path, scheme: str = "light", size: dict[str, int] | None = None) -> Opened:
        pages.append(Opened(browser, file, scheme, size or WIDE))
        return pages[-1]

    yield open_it
    for page in pages:
        page.context.close()
