"""Start the page's server and tell people how to reach it: an address and a code to scan.

Bound to this computer alone unless the workshop's network is asked for.
"""

from __future__ import annotations

import contextlib
import io
import socket
import threading
from collections.abc import Callable
from pathlib import Path

from fitscan.errors import EnvironmentProblem
from fitscan.page.guard import JOIN
from fitscan.page.state import PageState

__all__ = ["LAN_WARNING", "serve"]

LAN_WARNING = (
    "Everyone on this network can now try to reach this page. Only phones that scanned a code get "
    "in, but what they send and see is not encrypted: use the workshop's own network, not a public "
    "one, and stop the page when you are done."
)


def serve(
    folder: Path,
    *,
    lan: bool,
    port: int,
    say: Callable[[str], None],
    started: Callable[[PageState, int], None] | None = None,
) -> None:
    """Serve one job's page until it is stopped with Ctrl-C.

    Args:
        folder: of the job.
        lan: whether other devices on the network may reach it.
        port: to listen on; 0 lets the computer choose one.
        say: told in lines what people need to know.
        started: called once the server listens, with its port.

    Raises:
        FitscanError: not a job's folder, or the port is taken.
    """
    import uvicorn

    from fitscan.page.routes import make_app

    state = PageState(folder)
    try:
        listener = _listen("0.0.0.0" if lan else "127.0.0.1", port)
        own = lan_address() if lan else "127.0.0.1"
        at = listener.getsockname()[1]
        app = make_app(state, sorted({own, "127.0.0.1", "localhost"}))
        config = uvicorn.Config(
            app, log_level="warning", access_log=False, server_header=False, lifespan="off",
            timeout_keep_alive=30, limit_concurrency=200, proxy_headers=False,
        )  # fmt: skip
        server = uvicorn.Server(config)
        threading.Thread(target=state.resume, daemon=True).start()
        if lan:
            say(LAN_WARNING)
        stop = threading.Event()
        host = f"http://{own}:{at}"
        threading.Thread(target=_keep_inviting, args=(state, host, say, stop), daemon=True).start()
        if started is not None:
            started(state, at)
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=[listener])
        stop.set()
    finally:
        state.stop()


def _keep_inviting(
    state: PageState, host: str, say: Callable[[str], None], stop: threading.Event
) -> None:
    """Show the open invitation, and the next one as soon as a phone has used it."""
    shown = ""
    while not stop.is_set():
        if state.keyring.invitation != shown:
            shown = state.keyring.invitation
            address = f"{host}{JOIN}{shown}"
            say(f"{code_of(address)}\nScan it with a phone, or open:\n{address}\nCtrl-C stops.")
        stop.wait(0.5)


def code_of(address: str) -> str:
    """A QR code for a terminal, in half-height blocks."""
    import segno

    out = io.StringIO()
    segno.make(address, error="l").terminal(out, border=2, compact=True)
    return out.getvalue()


def _listen(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise EnvironmentProblem(
            "The page cannot listen there", f"{host}:{port}", "choose another --port"
        ) from error
    return listener


def lan_address() -> str:
    """This computer's address on its network; no packet is sent to find it.

    Raises:
        EnvironmentProblem: the computer is on no network.
    """
    probe = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        # Connecting a datagram socket only chooses the way out (192.0.2.1: RFC 5737, for examples).
        probe.connect(("192.0.2.1", 9))
        address = str(probe.getsockname()[0])
    except OSError:
        address = ""
    finally:
        probe.close()
    if not address or address.startswith("127."):
        raise EnvironmentProblem(
            "This computer is on no network", "--lan", "join the workshop's network first"
        )
    return address
