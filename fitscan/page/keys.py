"""Who may use the page: a one-time key invites a phone, which then has a key of its own.

Keys are kept as digests, so that the job folder gives nobody entry. Asking for a key on every
request is left to `guard`.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from datetime import datetime, timezone
from pathlib import Path
from typing import ClassVar

from pydantic import BaseModel, ConfigDict

from fitscan.store.json_file import JsonDocument, read_json, write_json

__all__ = ["Keyring", "Phone", "PhonesFile"]

_LONGEST_NAME = 40
_MOST_PHONES = 50


class Phone(BaseModel):
    """A phone that has joined.

    Attributes:
        id: short, for people and for removing it.
        name: what its owner calls it.
        digest: SHA-256 of its key.
        joined: UTC, ISO 8601.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: str
    name: str
    digest: str
    joined: str


class PhonesFile(JsonDocument):
    """The phones of one job, as stored."""

    KIND: ClassVar[str] = "fitscan.phones"
    SCHEMA_VERSION: ClassVar[int] = 1

    phones: tuple[Phone, ...] = ()


def digest_of(key: str) -> str:
    """SHA-256 of a key, hexadecimal."""
    return hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()


class Keyring:
    """The phones that may use one job's page, and the invitation that is open.

    Args:
        file: where phones are kept; made when the first one joins.

    Raises:
        InputError: the file is torn or not of this kind.
    """

    def __init__(self, file: Path) -> None:
        self._file = file
        self._lock = threading.Lock()
        self._phones = (
            {p.id: p for p in read_json(file, PhonesFile).phones} if file.exists() else {}
        )
        self._invitation = secrets.token_urlsafe(24)

    @property
    def invitation(self) -> str:
        """The key that lets one more phone in; it changes as soon as it was used."""
        return self._invitation

    def invites(self, key: str) -> bool:
        """Whether a key is the open invitation."""
        return secrets.compare_digest(digest_of(key), digest_of(self._invitation))

    def join(self, key: str, name: str) -> str | None:
        """Use up the invitation: the new phone's own key, or None for a wrong or used one."""
        with self._lock:
            if not self.invites(key) or len(self._phones) >= _MOST_PHONES:
                return None
            self._invitation = secrets.token_urlsafe(24)
            own = secrets.token_urlsafe(32)
            phone = Phone(
                id=secrets.token_hex(4),
                name=" ".join(name.split())[:_LONGEST_NAME] or "a phone",
                digest=digest_of(own),
                joined=datetime.now(timezone.utc).isoformat(timespec="seconds"),
            )
            self._keep({**self._phones, phone.id: phone})
            return own

    def phone_of(self, key: str) -> Phone | None:
        """The phone that has this key."""
        digest = digest_of(key)
        # Every phone is compared, so that the time taken tells nothing.
        found = [p for p in self._phones.values() if secrets.compare_digest(p.digest, digest)]
        return found[0] if found else None

    def phones(self) -> tuple[Phone, ...]:
        """All phones, the first that joined first."""
        return tuple(self._phones.values())

    def remove(self, phone_id: str) -> bool:
        """Take a phone's key back; False when there is no such phone."""
        with self._lock:
            if phone_id not in self._phones:
                return False
            self._keep({i: p for i, p in self._phones.items() if i != phone_id})
            return True

    def remove_all(self) -> None:
        """Take every phone's key back."""
        with self._lock:
            self._keep({})

    def _keep(self, phones: dict[str, Phone]) -> None:
        self._file.parent.mkdir(parents=True, exist_ok=True)
        write_json(self._file, PhonesFile(phones=tuple(phones.values())), replace=True)
        self._phones = phones
