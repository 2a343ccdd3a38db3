"""Serve the page on this machine until it is stopped."""

from __future__ import annotations

import contextlib
import socket
import threading
import webbrowser
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from calib.errors import CalibError

if TYPE_CHECKING:
    from calib.page.opened import Opened

_MISSING = (
    "calib view needs the packages starlette and uvicorn, which are not installed: install them with"
    " pip install 'calib-raster[view]'."
)


def check_installed() -> None:
    """Find out before the work whether a page can be served.

    Raises
    ------
    CalibError
        If what serves it is not installed.
    """
    from importlib.util import find_spec

    if find_spec("starlette") is None or find_spec("uvicorn") is None:
        raise CalibError(_MISSING)


def serve(opened: Sequence[Opened], *, port: int, browser: bool, tell: Callable[[str], None]) -> None:
    """Serve a page on scans until Ctrl-C.

    Parameters
    ----------
    port
        On which; 0 for any that is free.
    browser
        Whether the browser is opened.
    tell
        Called with the address, and with what is done.

    Raises
    ------
    CalibError
        If the port is in use.
    """
    check_installed()
    import uvicorn

    from calib.page.app import make_app
    from calib.page.guard import HOST, new_token

    with socket.socket() as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((HOST, port))
        except (OSError, OverflowError) as error:
            raise CalibError(f"Port {port} can't be used ({error}): leave --port out to take a free one.") from error
        port = listening.getsockname()[1]
        token = new_token()
        address = f"http://{HOST}:{port}/?token={token}"
        config = uvicorn.Config(
            make_app(opened, token, port), log_level="warning", access_log=False, server_header=False,
            timeout_graceful_shutdown=2, ws="none", lifespan="off",
        )  # fmt: skip
        tell(f"The page is at {address}")
        tell("Only this machine can open it, and only with this address. Ctrl-C ends it.")
        if browser:
            # some browsers keep the call until they are closed
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        with contextlib.suppress(KeyboardInterrupt):
            uvicorn.Server(config).run(sockets=[listening])
        tell("The page has ended; its address is no longer of use.")
