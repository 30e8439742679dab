"""Ctrl-C, kept in mind: a stop that comes at a moment when Python must swallow it still stops.

An exception that a signal raises within a finaliser or callback is told and dropped; what is said
of a stop is left to `run`.
"""

from __future__ import annotations

import signal
import threading
from types import FrameType

__all__ = ["check_stop", "listen"]

_asked = threading.Event()


def listen() -> None:
    """Note each Ctrl-C from now on; where somebody else handles it already, nothing changes."""
    _asked.clear()
    if threading.current_thread() is not threading.main_thread():
        return
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _note)


def check_stop() -> None:
    """Stop if Ctrl-C was pressed and swallowed.

    Raises:
        KeyboardInterrupt: it was.
    """
    if _asked.is_set():
        raise KeyboardInterrupt


def _note(_: int, __: FrameType | None) -> None:
    _asked.set()
    raise KeyboardInterrupt
