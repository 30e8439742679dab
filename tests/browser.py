"""A real browser without a network, for pages that people open on a phone or a computer."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

PHONE, DESK = (360, 780), (1280, 900)
"""Widths and heights, px."""

_NAMES = ("chromium", "chromium-browser", "google-chrome")
# WebGL without a graphics card.
_ARGUMENTS = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]


def program() -> str:
    """Chromium by its name; Debian's package `chromium` brings it."""
    found = next((path for name in _NAMES if (path := shutil.which(name))), None)
    assert found is not None, "no Chromium: apt-get install chromium"
    return found


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser for several pages."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=program(), args=_ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Opened:
    """A page, and what it complained of or asked the network for."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def sees(self, script: str) -> Any:
        """What a script finds in the page."""
        return self.page.evaluate(script)


@contextmanager
def opened(
    browser: Browser, file: Path, size: tuple[int, int] = PHONE, *, dark: bool = False
) -> Iterator[Opened]:
    """A file as a person opens it, with the network off."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        device_scale_factor=2 if size == PHONE else 1,
        offline=True,
        color_scheme="dark" if dark else "light",
    )
    page = context.new_page()
    seen = Opened(page)
    page.on("console", lambda m: seen.complaints.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda error: seen.complaints.append(str(error)))
    page.on("request", lambda r: seen.requests.append(r.url))
    page.goto(file.resolve().as_uri())
    try:
        yield seen
    finally:
        context.close()
