"""Keys: an invitation lets one phone in, and a phone's key can be taken back."""

from __future__ import annotations

from pathlib import Path

import pytest

from fitscan.errors import FitscanError
from fitscan.page.keys import Keyring


@pytest.fixture
def keyring(tmp_path: Path) -> Keyring:
    return Keyring(tmp_path / "own" / "phones.json")


def test_an_invitation_lets_one_phone_in_and_no_second(keyring: Keyring) -> None:
    invitation = keyring.invitation
    own = keyring.join(invitation, "mine")
    assert own is not None
    assert keyring.join(invitation, "thief") is None
    assert keyring.invitation != invitation
    assert [p.name for p in keyring.phones()] == ["mine"]


@pytest.mark.parametrize("key", ["", "x", "ä\x00", "a" * 10_000])
def test_a_wrong_key_gets_nothing(keyring: Keyring, key: str) -> None:
    assert keyring.join(key, "thief") is None
    assert keyring.phone_of(key) is None
    assert keyring.phones() == ()


def test_a_phone_is_known_again_after_a_restart(keyring: Keyring, tmp_path: Path) -> None:
    own = keyring.join(keyring.invitation, " my   phone ")
    assert own is not None
    again = Keyring(tmp_path / "own" / "phones.json")
    known = again.phone_of(own)
    assert known is not None
    assert known.name == "my phone"
    assert again.invitation != keyring.invitation


def test_a_removed_phone_has_no_key_any_more(keyring: Keyring, tmp_path: Path) -> None:
    first, second = (keyring.join(keyring.invitation, n) for n in ("one", "two"))
    assert first is not None
    assert second is not None
    gone = keyring.phone_of(first)
    assert gone is not None
    assert keyring.remove(gone.id)
    assert not keyring.remove(gone.id)
    assert keyring.phone_of(first) is None
    assert Keyring(tmp_path / "own" / "phones.json").phone_of(first) is None
    assert keyring.phone_of(second) is not None
    keyring.remove_all()
    assert keyring.phone_of(second) is None


def test_the_file_holds_no_key(keyring: Keyring, tmp_path: Path) -> None:
    own = keyring.join(keyring.invitation, "mine")
    assert own is not None
    assert own not in (tmp_path / "own" / "phones.json").read_text("utf-8")


def test_a_torn_file_of_phones_is_refused_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "phones.json").write_text('{"kind": "fitscan.phones", "schema_ver', "utf-8")
    with pytest.raises(FitscanError, match=r"phones\.json"):
        Keyring(tmp_path / "phones.json")
