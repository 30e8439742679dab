"""Photos on their way: resumed after every break, named once, never over another one."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from fitscan.errors import EnvironmentProblem, InputError
from fitscan.page.inbox import LARGEST_PHOTO, Arrived, Inbox, WrongOffset
from fitscan.page.shop import Shop

SHOOT = "shut"


@pytest.fixture
def inbox(shop: Shop) -> Inbox:
    shop.new_shoot(SHOOT)
    return Inbox(shop)


@pytest.fixture
def photo(tmp_path: Path) -> bytes:
    Image.effect_noise((200, 150), 60).convert("RGB").save(tmp_path / "p.jpg", quality=90)
    return (tmp_path / "p.jpg").read_bytes()


def send(inbox: Inbox, data: bytes, name: str = "P1.jpg", token: str = "t") -> Arrived | None:
    ticket, there = inbox.open(SHOOT, name, len(data), token)
    inbox.append(ticket, there, data[there:])
    return inbox.finish(ticket)


def test_a_photo_sent_in_pieces_arrives_byte_for_byte(
    inbox: Inbox, shop: Shop, photo: bytes
) -> None:
    ticket, there = inbox.open(SHOOT, "IMG 7.jpeg", len(photo), "t")
    while there < len(photo):
        assert inbox.finish(ticket) is None
        assert shop.photos(SHOOT) == []
        there = inbox.append(ticket, there, photo[there : there + 1000])
    assert inbox.finish(ticket) == Arrived(SHOOT, "IMG 7.jpg", already=False)
    assert shop.photo(SHOOT, "IMG 7.jpg").read_bytes() == photo
    assert list((shop.own / "inbox").iterdir()) == []


def test_a_restarted_page_goes_on_where_the_connection_broke(
    inbox: Inbox, shop: Shop, photo: bytes
) -> None:
    ticket, _ = inbox.open(SHOOT, "P1.jpg", len(photo), "t")
    inbox.append(ticket, 0, photo[:700])
    again = Inbox(shop)
    assert again.resume() == []
    assert again.open(SHOOT, "P1.jpg", len(photo), "t") == (ticket, 700)
    again.append(ticket, 700, photo[700:])
    # The computer dies before the photo has its name: the next start gives it.
    assert Inbox(shop).resume() == [Arrived(SHOOT, "P1.jpg", already=False)]
    assert shop.photo(SHOOT, "P1.jpg").read_bytes() == photo


def test_a_piece_that_does_not_follow_is_not_taken(inbox: Inbox, photo: bytes) -> None:
    ticket, _ = inbox.open(SHOOT, "P1.jpg", len(photo), "t")
    inbox.append(ticket, 0, photo[:500])
    for offset in (0, 499, 501):
        with pytest.raises(WrongOffset, match="500 bytes"):
            inbox.append(ticket, offset, b"x")
    assert inbox.arrived(ticket) == 500


def test_the_same_photo_again_is_told_and_kept_once(inbox: Inbox, shop: Shop, photo: bytes) -> None:
    assert send(inbox, photo, token="a") == Arrived(SHOOT, "P1.jpg", already=False)
    assert send(inbox, photo, "other.jpg", "b") == Arrived(SHOOT, "P1.jpg", already=True)
    assert len(shop.photos(SHOOT)) == 1


def test_another_photo_of_the_same_name_gets_a_number(
    inbox: Inbox, shop: Shop, photo: bytes
) -> None:
    send(inbox, photo, token="a")
    other = photo[:-2] + b"\0\xff\xd9"
    assert send(inbox, other, token="b") == Arrived(SHOOT, "P1-2.jpg", already=False)
    assert shop.photo(SHOOT, "P1.jpg").read_bytes() == photo
    assert shop.photo(SHOOT, "P1-2.jpg").read_bytes() == other


@pytest.mark.parametrize(
    "data", [b"MZ" + b"\0" * 500, b"<script>alert(1)</script>", b"\xff\xd8\xff"]
)
def test_what_is_no_photo_is_refused_and_leaves_nothing(
    inbox: Inbox, shop: Shop, data: bytes
) -> None:
    with pytest.raises(InputError, match=r"P1\.jpg") as refusal:
        send(inbox, data)
    assert ".fitscan-page" not in str(refusal.value)
    assert shop.photos(SHOOT) == []
    assert list((shop.own / "inbox").iterdir()) == []


def test_the_ending_follows_the_content_not_the_name(inbox: Inbox, tmp_path: Path) -> None:
    Image.new("RGB", (64, 48)).save(tmp_path / "p.png")
    arrived = send(inbox, (tmp_path / "p.png").read_bytes(), "page.html")
    assert arrived == Arrived(SHOOT, "page.png", already=False)


@pytest.mark.parametrize("size", [0, -1, LARGEST_PHOTO + 1])
def test_an_impossible_size_is_refused_before_a_byte_is_sent(inbox: Inbox, size: int) -> None:
    with pytest.raises(InputError):
        inbox.open(SHOOT, "P1.jpg", size, "t")


def test_more_bytes_than_were_told_are_refused(inbox: Inbox, photo: bytes) -> None:
    ticket, _ = inbox.open(SHOOT, "P1.jpg", 10, "t")
    with pytest.raises(InputError, match="More bytes"):
        inbox.append(ticket, 0, photo[:11])


@pytest.mark.parametrize("ticket", ["", "../phones", "0" * 24, "0" * 23 + "/"])
def test_an_unknown_ticket_leads_nowhere(inbox: Inbox, ticket: str) -> None:
    calls: list[Callable[[], object]] = [
        lambda: inbox.arrived(ticket),
        lambda: inbox.append(ticket, 0, b""),
        lambda: inbox.finish(ticket),
        lambda: inbox.forget(ticket),
    ]
    for call in calls:
        with pytest.raises(InputError, match="No such photo"):
            call()


def test_a_full_disk_keeps_what_had_arrived(
    inbox: Inbox, photo: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    ticket, _ = inbox.open(SHOOT, "P1.jpg", len(photo), "t")
    inbox.append(ticket, 0, photo[:600])

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(EnvironmentProblem, match="disk is full"):
            inbox.append(ticket, 600, photo[600:900])
    assert inbox.arrived(ticket) == 600
    inbox.append(ticket, 600, photo[600:])
    assert inbox.finish(ticket) is not None
