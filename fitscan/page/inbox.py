"""Photos on their way from a phone, kept piece by piece: a dropped connection costs nothing.

A photo gets its name in the shoot only when it is whole, never over another one; what is in it is
looked at by `look`. Offsets work as in the IETF draft "Resumable Uploads for HTTP": the phone asks
how much has arrived and sends the rest.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import secrets
import shutil
import threading
from dataclasses import asdict, dataclass
from pathlib import Path

from fitscan.errors import DataError, EnvironmentProblem, InputError
from fitscan.page.shop import Shop, safe_photo_name
from fitscan.photos.container import photo_kind
from fitscan.photos.read import read_header
from fitscan.store.access import make_folder, write_refusal
from fitscan.store.digest import sha256_of_file

__all__ = ["LARGEST_PHOTO", "LARGEST_PIECE", "Arrived", "Inbox", "WrongOffset"]

LARGEST_PHOTO = 60_000_000
LARGEST_PIECE = 4_000_000
_MOST_OPEN = 400
_SPARE_BYTES = 200_000_000
"""Free space that stays for surveys and pictures."""

_ID = re.compile(r"[0-9a-f]{24}")
_ENDINGS = {"jpeg": ".jpg", "png": ".png", "heic": ".heic"}


class WrongOffset(DataError):  # noqa: N818  - the phone only has to ask again
    """A piece does not follow on what has arrived."""


@dataclass(frozen=True)
class Ticket:
    """One photo on its way.

    Attributes:
        shoot: it is for.
        name: it had on the phone.
        size: in bytes.
        token: by which the phone knows it again after a restart.
    """

    shoot: str
    name: str
    size: int
    token: str


@dataclass(frozen=True)
class Arrived:
    """A photo that is whole.

    Attributes:
        shoot, name: where it is now.
        already: it had been there before, byte for byte.
    """

    shoot: str
    name: str
    already: bool


class Inbox:
    """Half-sent photos of one job, in a folder of their own.

    Args:
        shop: the job.
    """

    def __init__(self, shop: Shop) -> None:
        self._shop = shop
        self._folder = shop.own / "inbox"
        self._lock = threading.Lock()
        self._locks: dict[str, threading.Lock] = {}

    def open(self, shoot: str, name: str, size: int, token: str) -> tuple[str, int]:
        """Begin a photo, or find the one that the phone had begun.

        Returns:
            its id, and how many bytes have arrived.

        Raises:
            InputError: no such shoot, too large, or too many at once.
            EnvironmentProblem: the disk is full or read-only.
        """
        self._shop.shoot(shoot)
        if not 0 < size <= LARGEST_PHOTO:
            raise InputError(
                f"A photo of {size / 1e6:.0f} megabytes is not taken", name[:80],
                f"send photos of up to {LARGEST_PHOTO // 1_000_000} megabytes",
            )  # fmt: skip
        ticket = Ticket(shoot, name[:200], size, token[:100])
        with self._lock:
            waiting = self._tickets()
            for ticket_id, other in waiting.items():
                if other == ticket:
                    return ticket_id, self.arrived(ticket_id)
            if len(waiting) >= _MOST_OPEN:
                raise InputError(
                    "Too many photos are on their way at once", shoot, "wait until some are here"
                )
            make_folder(self._folder)
            if shutil.disk_usage(self._folder).free < size + _SPARE_BYTES:
                raise EnvironmentProblem(
                    "The disk is almost full", self._shop.folder, "free some space"
                )
            ticket_id = secrets.token_hex(12)
            self._write(ticket_id, ticket)
            return ticket_id, 0

    def arrived(self, ticket_id: str) -> int:
        """How many bytes of a photo have arrived.

        Raises:
            InputError: no such photo is on its way.
        """
        self._ticket(ticket_id)
        return self._bytes(ticket_id).stat().st_size

    def append(self, ticket_id: str, offset: int, piece: bytes) -> int:
        """Add a piece; returns how many bytes have arrived.

        Raises:
            InputError: no such photo is on its way, or it is longer than it was to be.
            WrongOffset: the piece does not follow on what has arrived.
            EnvironmentProblem: the disk is full.
        """
        ticket = self._ticket(ticket_id)
        with self._lock_of(ticket_id):
            file = self._bytes(ticket_id)
            there = file.stat().st_size
            if offset != there:
                raise WrongOffset(
                    f"{there} bytes have arrived, not {offset}", ticket.name, "send the rest again"
                )
            if there + len(piece) > ticket.size:
                raise InputError(
                    "More bytes came than the photo has", ticket.name, "send the photo again"
                )
            try:
                with file.open("r+b") as stream:
                    stream.seek(there)
                    stream.write(piece)
                    stream.flush()
                    os.fsync(stream.fileno())
            except OSError as error:
                # What arrived before stays; a half-written piece is cut off again.
                with contextlib.suppress(OSError):
                    os.truncate(file, there)
                raise write_refusal(error, self._folder) from error
            return there + len(piece)

    def finish(self, ticket_id: str) -> Arrived | None:
        """Give a whole photo its name in the shoot; None while bytes are missing.

        Raises:
            InputError: not a photo, damaged, too large, or no such photo is on its way.
            EnvironmentProblem: the disk is full or read-only.
        """
        ticket = self._ticket(ticket_id)
        with self._lock_of(ticket_id):
            file = self._bytes(ticket_id)
            if file.stat().st_size < ticket.size:
                return None
            try:
                kind = _kind_of(file)
                read_header(file)
            except InputError as error:
                self.forget(ticket_id)
                raise type(error)(error.what, ticket.name, error.todo) from None
            with self._lock:
                arrived = self._place(ticket, file, _ENDINGS[kind])
            self.forget(ticket_id)
            return arrived

    def forget(self, ticket_id: str) -> None:
        """Drop a photo that is on its way."""
        self._ticket(ticket_id)
        for file in (self._note(ticket_id), self._bytes(ticket_id)):
            with contextlib.suppress(FileNotFoundError):
                file.unlink()

    def resume(self) -> list[Arrived]:
        """After a crash: place what was whole already; what is half stays until its phone is back.

        A photo that cannot be placed is dropped, as it would have been on arrival.
        """
        done = []
        for ticket_id in self._tickets():
            with contextlib.suppress(InputError):
                arrived = self.finish(ticket_id)
                if arrived is not None:
                    done.append(arrived)
        return done

    def _place(self, ticket: Ticket, file: Path, ending: str) -> Arrived:
        folder = self._shop.shoot(ticket.shoot)
        digest, size = sha256_of_file(file), file.stat().st_size
        for photo in self._shop.photos(ticket.shoot):
            if photo.stat().st_size == size and sha256_of_file(photo) == digest:
                return Arrived(ticket.shoot, photo.name, already=True)
        name = safe_photo_name(ticket.name, ending)
        stem = name.removesuffix(ending)
        for number in range(1, 10_000):
            target = folder / (name if number == 1 else f"{stem}-{number}{ending}")
            try:
                # A link names the whole file and never takes another one's place.
                os.link(file, target)
            except FileExistsError:
                continue
            except OSError as error:
                raise write_refusal(error, folder) from error
            return Arrived(ticket.shoot, target.name, already=False)
        raise InputError("Too many photos have this name", ticket.name, "rename it")

    def _lock_of(self, ticket_id: str) -> threading.Lock:
        with self._lock:
            return self._locks.setdefault(ticket_id, threading.Lock())

    def _tickets(self) -> dict[str, Ticket]:
        found = {}
        for note in self._folder.glob("*.json") if self._folder.is_dir() else []:
            # A crash between the two files of a photo leaves one without the other.
            if _ID.fullmatch(note.stem) and self._bytes(note.stem).exists():
                with contextlib.suppress(InputError):
                    found[note.stem] = self._ticket(note.stem)
        return found

    def _ticket(self, ticket_id: str) -> Ticket:
        unknown = InputError("No such photo is on its way", "", "send it again from the start")
        if not _ID.fullmatch(ticket_id):
            raise unknown
        try:
            return Ticket(**json.loads(self._note(ticket_id).read_text("utf-8")))
        except (OSError, ValueError, TypeError):
            raise unknown from None

    def _write(self, ticket_id: str, ticket: Ticket) -> None:
        try:
            self._bytes(ticket_id).touch()
            part = self._note(ticket_id).with_suffix(".part")
            part.write_text(json.dumps(asdict(ticket)), "utf-8")
            part.replace(self._note(ticket_id))
        except OSError as error:
            raise write_refusal(error, self._folder) from error

    def _note(self, ticket_id: str) -> Path:
        return self._folder / f"{ticket_id}.json"

    def _bytes(self, ticket_id: str) -> Path:
        return self._folder / f"{ticket_id}.bytes"


def _kind_of(file: Path) -> str:
    with file.open("rb") as stream:
        return photo_kind(stream.read(64), file)
