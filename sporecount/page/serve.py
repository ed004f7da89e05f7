"""Starting the page: a port of the loopback address, a random key, and the browser."""

from __future__ import annotations

import contextlib
import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from types import FrameType

from sporecount.errors import SessionError
from sporecount.page.desk import Desk
from sporecount.page.guard import OPENING

USUAL_PORT = 8431
"""Tried first, so that a tab left open finds the page again after a restart."""


def free_socket(port: int | None = None) -> socket.socket:
    """Bind the loopback address.

    Parameters
    ----------
    port : int, optional
        The usual one, or any if that is taken, when left out.

    Raises
    ------
    SessionError
        The port asked for is taken.
    """
    for wanted in (port,) if port is not None else (USUAL_PORT, 0):
        made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            made.bind(("127.0.0.1", wanted or 0))
            made.listen()  # a browser that is quicker than the page waits instead of being refused
        except OSError as fault:
            made.close()
            if port is not None:
                raise SessionError(
                    f"port {port} cannot be used ({fault.strerror})",
                    remedy="Leave --port out to get a free one",
                ) from None
        else:
            return made
    raise SessionError("no port of the loopback address is free", remedy="Close some programs and try again")


def serve(
    desk: Desk,
    *,
    place: str = "/",
    port: int | None = None,
    browser: bool = True,
    say: Callable[[str], None] = lambda _address: None,
) -> None:
    """Serve the page until it is interrupted.

    Parameters
    ----------
    desk : Desk
    place : str
        Where to open.
    port : int, optional
    browser : bool
        Open the browser.
    say : callable
        Told the opening address.
    """
    import uvicorn

    from sporecount.page.app import make_app

    listening = free_socket(port)
    number, key = listening.getsockname()[1], secrets.token_urlsafe(24)
    address = f"http://127.0.0.1:{number}{OPENING}?key={key}"
    if place != "/":
        address += f"&to={place}"
    config = uvicorn.Config(
        make_app(desk, key=key, port=number),
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=2,
    )

    class Server(uvicorn.Server):
        def handle_exit(self, sig: int, frame: FrameType | None) -> None:
            desk.news.close()  # open tabs are let go, or the page would wait for them
            super().handle_exit(sig, frame)

    server = Server(config)
    say(address)
    if browser:
        threading.Timer(0.5, webbrowser.open, [address]).start()
    with contextlib.suppress(KeyboardInterrupt):
        server.run(sockets=[listening])
