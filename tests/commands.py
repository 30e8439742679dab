"""Run fitscan's commands as a user does, each in a process of its own, a hundred in seconds.

A server imports the libraries once and is forked for every command, because starting Python anew
each time would take most of the test's time. What a command does is left to the tests.
"""

from __future__ import annotations

import codecs
import hashlib
import importlib
import json
import os
import pkgutil
import re
import runpy
import subprocess
import sys
import traceback
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, NoReturn

__all__ = ["NOBODY", "Commands", "Finished", "Job", "Result", "tree"]

NOBODY = 65534
"""User id without any rights of its own."""

_PROGRESS = re.compile(r" \d+/\d+\s*$")


@dataclass(frozen=True)
class Finished:
    """How a command ended: its exit code and what it wrote."""

    code: int
    out: str
    err: str

    @property
    def sentence(self) -> str:
        """The one sentence on standard error, progress aside."""
        lines = [s for s in self.err.splitlines() if s.strip() and not _PROGRESS.search(s)]
        assert len(lines) == 1, self.err
        assert lines[0].startswith("fitscan: "), lines[0]
        assert lines[0].endswith("."), lines[0]
        return lines[0]


class Commands:
    """A server that runs commands; a context manager."""

    def __enter__(self) -> Commands:
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "Agg"}
        self._server = subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
            text=True,
        )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.communicate()

    def run(self, *words: str | os.PathLike[str], where: Path, user: int | None = None) -> Finished:
        """Run `fitscan` with words on its command line in the folder `where`.

        `user`: whose rights the command has, when the tests run as root.
        """
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        out, err = where.parent / "commands.out", where.parent / "commands.err"
        order = {
            "words": [os.fspath(word) for word in words],
            "where": str(where),
            "user": user,
            "out": str(out),
            "err": str(err),
        }
        self._server.stdin.write(json.dumps(order) + "\n")
        self._server.stdin.flush()
        code = int(self._server.stdout.readline())
        return Finished(code, out.read_text(encoding="utf-8"), err.read_text(encoding="utf-8"))

    def refused(
        self, *words: str | os.PathLike[str], where: Path, code: int = 2, user: int | None = None
    ) -> str:
        """The sentence with which a command refuses; it prints nothing else and leaves no trace."""
        before = tree(where)
        finished = self.run(*words, where=where, user=user)
        assert finished.code == code, finished
        assert finished.out == ""
        assert tree(where) == before
        return finished.sentence


@dataclass(frozen=True)
class Result:
    """A file that a command made, and what the command said."""

    file: Path
    said: Finished

    @property
    def content(self) -> dict[str, Any]:
        """The file's JSON."""
        return dict(json.loads(self.file.read_text(encoding="utf-8")))


@dataclass(frozen=True)
class Job:
    """A folder in which commands run."""

    folder: Path
    commands: Commands

    def run(self, *words: str | os.PathLike[str]) -> Finished:
        """Run a command that must not fail."""
        finished = self.commands.run(*words, where=self.folder)
        assert finished.code == 0, finished.err
        return finished

    def refused(self, *words: str | os.PathLike[str], code: int = 2) -> str:
        """The one sentence of a command that must fail and leave no trace."""
        return self.commands.refused(*words, where=self.folder, code=code)


def tree(folder: Path) -> dict[str, str]:
    """Every file under a folder with its content's hash."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _serve() -> None:
    """Fork for each order that comes in."""
    import cv2  # noqa: F401
    import matplotlib.backends.backend_agg  # noqa: F401

    import fitscan

    for module in pkgutil.walk_packages(fitscan.__path__, "fitscan."):
        if module.name not in {"fitscan.__main__", "fitscan.photos.heic_child"}:
            importlib.import_module(module.name)
    # Found by name when first used, in a folder that another user may not read.
    codecs.lookup("utf-8-sig")
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            _run(json.loads(line))
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


def _run(order: dict[str, Any]) -> NoReturn:
    """Become `python -m fitscan` with the order's words, and end as it ends."""
    code = 1
    try:
        writing = os.O_WRONLY | os.O_CREAT | os.O_TRUNC
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(os.open(order["out"], writing), 1)
        os.dup2(os.open(order["err"], writing), 2)
        os.chdir(order["where"])
        if order["user"] is not None and os.geteuid() == 0:
            os.setuid(order["user"])
        sys.argv = ["fitscan", *order["words"]]
        runpy.run_module("fitscan", run_name="__main__")
        code = 0
    except SystemExit as leaving:
        code = leaving.code if isinstance(leaving.code, int) else int(leaving.code is not None)
    except BaseException:  # noqa: BLE001  - as the interpreter would
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    _serve()
