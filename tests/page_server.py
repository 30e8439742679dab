"""`fitscan page` as people start it, and as a power cut ends it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

__all__ = ["Server"]


class Server:
    """`fitscan page` as people start it."""

    def __init__(self, job: Path) -> None:
        self.job = job
        self._start(0)

    def _start(self, port: int) -> None:
        words = [sys.executable, "-m", "fitscan", "page", str(self.job), "--port", str(port)]
        self.process = subprocess.Popen(
            words, stderr=subprocess.PIPE, text=True, start_new_session=True
        )
        assert self.process.stderr is not None
        for line in self.process.stderr:
            found = re.search(r"http://127\.0\.0\.1:(\d+)/join/\S+", line)
            if found:
                self.invitation, self.port = found[0], int(found[1])
                return
        raise AssertionError("the page did not start")

    def next_invitation(self) -> str:
        """The code that is shown after one was used."""
        assert self.process.stderr is not None
        for line in self.process.stderr:
            found = re.search(r"http://\S+/join/\S+", line)
            if found and found[0] != self.invitation:
                self.invitation = found[0]
                return found[0]
        raise AssertionError("no other code was shown")

    def kill(self) -> None:
        """As a power cut would: everything at once, nothing said."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        assert self.process.stderr is not None
        self.process.stderr.close()

    def start_again(self) -> None:
        self._start(self.port)
