"""The one door out: every error reaches the user as a sentence and an exit code.

What is wrong is said where it is found; here it only gets its last words.
"""

from __future__ import annotations

import copy
import os
import re
import sys
import traceback
from pathlib import Path
from typing import NoReturn, cast

import typer
from typer.models import CommandInfo

from fitscan.cli.app import app
from fitscan.cli.interrupt import listen
from fitscan.errors import STOPPED, FitscanError, InputError

__all__ = ["main"]

_USAGE = cast("type[Exception]", typer.BadParameter.__bases__[0])
"""What is raised for a wrong option. Some versions of typer bring their own copy of click, so
that this class has no name that all of them share."""

_STOPPED = 130


def main() -> None:
    """Run the program; every error reaches the user as one sentence and an exit code."""
    listen()
    try:
        code = _app_for(sys.argv[1:])(
            sys.argv[1:] or ["--help"], prog_name="fitscan", standalone_mode=False
        )
    except FitscanError as error:
        _leave(str(error), error.exit_code)
    except _USAGE as error:
        _leave(str(_usage_refusal(error)), InputError.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        code = _STOPPED
    except MemoryError:
        _leave("The computer has too little memory for this: close other programs.", 3)
    except OSError as error:
        _leave(f"The computer refused: {error}.", 3)
    except Exception as error:
        if os.environ.get("FITSCAN_TRACEBACK"):
            raise
        _leave(_own_fault(error), 1)
    if code == _STOPPED:
        _leave(STOPPED, _STOPPED)
    raise SystemExit(code)


def _app_for(words: list[str]) -> typer.Typer:
    """The program with only the command that is called: typer builds every one, for 0.04 s.

    Help, and a word that is no command, need all of them.
    """
    called = [c for c in app.registered_commands if _name_of(c) == "".join(words[:1])]
    if len(called) != 1 or app.registered_groups:
        return app
    one = copy.copy(app)
    one.registered_commands = called
    return one


def _name_of(command: CommandInfo) -> str:
    """What a command is called by, as typer makes it from the function's name."""
    return command.name or getattr(command.callback, "__name__", "").lower().replace("_", "-")


def _leave(sentence: str, code: int) -> NoReturn:
    typer.echo(f"fitscan: {sentence}", err=True)
    raise SystemExit(code) from None


def _own_fault(error: Exception) -> str:
    """What is not caught above is nobody's wrong input: a sentence that a report can quote."""
    place = traceback.extract_tb(error.__traceback__)[-1]
    said = " ".join(f"{type(error).__name__}: {error}".split())[:200]
    return (
        f"This is a fault of fitscan's, not yours ({said}, in {Path(place.filename).name}, line "
        f"{place.lineno}): please report it with the command you gave and what "
        "FITSCAN_TRACEBACK=1 before it shows."
    )


def _usage_refusal(error: Exception) -> InputError:
    """A wrong option or argument in one sentence."""
    said = getattr(error, "format_message", lambda: str(error))().rstrip(".")
    command = getattr(getattr(error, "ctx", None), "command_path", "fitscan")
    todo = f"`{command} --help` shows how it is written"
    if "unexpected extra argument" in said:
        todo = f"put names with spaces in quotes; {todo}"
    said = re.sub(r"^Invalid value for (.*): Input should be ", r"\1 must be ", said)
    said = re.sub(r"a valid (number|integer), .*", r"a \1", said).replace("integer", "whole number")
    said = re.sub(r"[.] Did you mean (.*)[?]$", r" (did you mean \1?)", said)
    return InputError(said, "", todo)
