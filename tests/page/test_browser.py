"""The page in a real browser, at a phone's size: connections that break and computers that die."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from browser import chromium
from page_server import Server
from playwright.sync_api import Browser, BrowserContext, Page

WIDTH = 360


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@contextmanager
def phone(browser: Browser, invitation: str, name: str) -> Iterator[Page]:
    """A phone of 360 px that has joined."""
    context: BrowserContext = browser.new_context(
        viewport={"width": WIDTH, "height": 740}, is_mobile=True, has_touch=True
    )
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda e: faults.append(str(e)))
    page.goto(invitation)
    page.fill("input[name=name]", name)
    page.click("button")
    page.wait_for_selector("nav button[aria-current]")
    yield page
    assert faults == []
    context.close()


def begin(page: Page, shoot: str) -> None:
    page.fill("input[aria-label='Name of the new shoot']", shoot)
    page.click("text=Begin this shoot")
    page.wait_for_selector("text=Take a photo")


def choose(page: Page, photos: list[Path]) -> None:
    page.set_input_files("input[type=file][multiple]", [str(p) for p in photos])


def arrived(server: Server, shoot: str, photos: list[Path], seconds: float = 60) -> None:
    """Wait until every photo is there, byte for byte."""
    wanted = {p.read_bytes() for p in photos}
    found: set[bytes] = set()
    for _ in range(int(seconds / 0.2)):
        found = {p.read_bytes() for p in (server.job / "photos" / shoot).glob("*.jpg")}
        if found == wanted:
            return
        time.sleep(0.2)
    raise AssertionError(f"{len(found & wanted)} of {len(wanted)} photos arrived")


def check_fits(page: Page) -> None:
    """Nothing hangs over the side, and everything to press is large enough for a glove."""
    assert page.evaluate("document.documentElement.scrollWidth") <= WIDTH
    small = page.eval_on_selector_all(
        "button, .press, select, input:not([type=checkbox]):not([type=file])",
        "all => all.filter(e => e.offsetParent && e.getBoundingClientRect().height < 48)"
        ".map(e => e.outerHTML)",
    )
    assert small == []


def test_a_broken_connection_loses_no_photo(
    browser: Browser, server: Server, photos: list[Path]
) -> None:
    with phone(browser, server.invitation, "mine") as page:
        check_fits(page)
        begin(page, "door shut")
        page.context.set_offline(True)
        choose(page, photos)
        page.wait_for_selector("text=No connection: it goes on by itself.")
        check_fits(page)
        page.context.set_offline(False)
        arrived(server, "door shut", photos)
        page.wait_for_selector("#light.green, #light.amber", timeout=90_000)
        assert re.search(r"± \d+\.\d\d mm", page.inner_text("#light"))
        assert f"{len(photos)} photos here" in page.inner_text("main")
        check_fits(page)
        for screen in ("Results", "Phones"):
            page.click(f"nav >> text={screen}")
            page.wait_for_selector(f"h1:has-text('{screen}')")
            check_fits(page)


def test_a_page_closed_half_way_goes_on_when_it_is_opened_again(
    browser: Browser, server: Server, photos: list[Path]
) -> None:
    with phone(browser, server.invitation, "mine") as page:
        begin(page, "a")
        page.context.set_offline(True)
        choose(page, photos)
        page.wait_for_selector("text=No connection: it goes on by itself.")
        page.context.set_offline(False)
        page.goto(f"http://127.0.0.1:{server.port}/")
        arrived(server, "a", photos)


def test_a_computer_that_dies_during_the_sending_loses_no_photo(
    browser: Browser, server: Server, photos: list[Path]
) -> None:
    with phone(browser, server.invitation, "mine") as page:
        begin(page, "a")
        choose(page, photos)
        page.wait_for_selector("#moving .mark.good")
        server.kill()
        page.wait_for_selector("text=No connection: it goes on by itself.", timeout=30_000)
        server.start_again()
        arrived(server, "a", photos)
        page.wait_for_selector("#light.green, #light.amber", timeout=90_000)


def test_two_phones_send_into_one_shoot_and_one_can_be_shut_out(
    browser: Browser, server: Server, photos: list[Path]
) -> None:
    with phone(browser, server.invitation, "left") as left:
        second = server.next_invitation()
        with phone(browser, second, "right") as right:
            begin(left, "both")
            right.click("nav >> text=Shoots")
            right.click("text=both")
            right.wait_for_selector("text=Take a photo")
            choose(left, photos[::2])
            choose(right, photos[1::2])
            arrived(server, "both", photos)
            left.click("nav >> text=Phones")
            left.click(".sheet:has-text('right') >> text=Remove")
            left.wait_for_selector(".sheet:has-text('right')", state="detached")
            right.click("nav >> text=Results")
            right.wait_for_selector("text=This phone has no key")
