"""Sixty photos of 12 megapixels from two phones at once: none is lost, and memory stays small."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import httpx2
import pytest
from page.conftest import OWN
from page_server import Server

SAMPLES = Path(__file__).parents[2] / "sample_images"
SHOOTS = ("cage_tacked", "cage_refit", "door_open", "door_shut")
LIMIT_BYTES = 1.5e9
PIECE = 1 << 20


def memory_of(group: int) -> int:
    """Memory of all processes of a group in bytes, shared pages counted once in all (PSS)."""
    total = 0
    for process in Path("/proc").iterdir():
        try:
            if process.name.isdigit() and os.getpgid(int(process.name)) == group:
                lines = (process / "smaps_rollup").read_text().splitlines()
                total += sum(int(s.split()[1]) << 10 for s in lines if s.startswith("Pss:"))
        except (OSError, ValueError):
            continue  # It ended meanwhile.
    return total


class Phone:
    """A phone that has joined, without a browser."""

    def __init__(self, server: Server, invitation: str) -> None:
        base = f"http://127.0.0.1:{server.port}"
        self.http = httpx2.Client(base_url=base, headers=OWN | {"Origin": base}, timeout=120)
        assert self.http.post(invitation, data={"name": "phone"}).status_code == 303

    def send(self, shoot: str, photos: list[Path]) -> None:
        for photo in photos:
            data = photo.read_bytes()
            asked = {"shoot": shoot, "name": photo.name, "size": len(data), "token": photo.name}
            ticket = self.http.post("/api/photos", json=asked).raise_for_status().json()["ticket"]
            for at in range(0, len(data), PIECE):
                piece = self.http.patch(
                    f"/api/photos/{ticket}",
                    content=data[at : at + PIECE],
                    headers={"Upload-Offset": str(at)},
                )
                piece.raise_for_status()


@pytest.mark.slow
def test_sixty_large_photos_arrive_and_are_surveyed_in_little_memory(server: Server) -> None:
    (server.job / "kit.toml").write_bytes((SAMPLES / "kit.toml").read_bytes())
    server.kill()
    server.start_again()
    left = Phone(server, server.invitation)
    right = Phone(server, server.next_invitation())
    peak = 0
    done = threading.Event()

    def watch() -> None:
        nonlocal peak
        while not done.wait(0.5):
            peak = max(peak, memory_of(server.process.pid))

    photos = {s: sorted((SAMPLES / s).glob("*.jpg")) for s in SHOOTS}
    assert sum(map(len, photos.values())) == 60
    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        for shoot, files in photos.items():
            left.http.post("/api/shoots", json={"name": shoot}).raise_for_status()
            hands = [
                threading.Thread(target=phone.send, args=(shoot, part))
                for phone, part in ((left, files[::2]), (right, files[1::2]))
            ]
            for hand in hands:
                hand.start()
            for hand in hands:
                hand.join()
        for _ in range(1200):
            job = left.http.get("/api/job").json()
            if {s["name"] for s in job["surveys"]} == set(SHOOTS) and all(
                s["survey"]["state"] == "done" for s in job["shoots"]
            ):
                break
            time.sleep(0.5)
    finally:
        done.set()
        watcher.join()
        for phone in (left, right):
            phone.http.close()
    for shoot, files in photos.items():
        arrived = {p.name: p.read_bytes() for p in (server.job / "photos" / shoot).iterdir()}
        assert arrived == {p.name: p.read_bytes() for p in files}
        assert (server.job / "surveys" / f"{shoot}.json").is_file()
    print(f"peak of all processes: {peak / 1e9:.2f} GB")
    assert peak < LIMIT_BYTES
