"""Start the page, reachable from this machine only."""

from __future__ import annotations

import os
import socket
import threading
import tomllib
import webbrowser
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse
from starlette.routing import Route

from catalog.web.api import api_routes
from catalog.web.api.security.access import HOST, Access
from catalog.web.api.security.request_checks import security_middleware
from catalog.web.server.assets import LOOK, index_page
from catalog.web.server.presses import keep_presses
from catalog.web.server.uploads import remove_abandoned
from catalog.web.state import page, use_store

STORE_VARIABLE = "CATALOG_STORE"  # place of the store if no option gives one
OPEN_AFTER_S = 0.3  # gives the server time to start


def page_options() -> dict[str, Any]:
    """Return the options of the page by dotted name, such as "server.address"."""
    return _flatten(tomllib.loads(LOOK.read_text("utf-8")), "")


def _flatten(table: dict[str, Any], prefix: str) -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in table.items():
        name = f"{prefix}{key}"
        flat |= _flatten(value, f"{name}.") if isinstance(value, dict) else {name: value}
    return flat


def _send_index(_: Request) -> HTMLResponse:
    return HTMLResponse(index_page(), headers={"Cache-Control": "no-cache"})


def app_parts(store_path: str | Path | None = None, *, browser: bool = False) -> dict[str, Any]:
    """Return the keyword arguments of `st.App` for one store.

    Parameters
    ----------
    store_path : str, Path or None
        None: the path in the variable CATALOG_STORE, else the default one
    browser : bool
        open the system's browser at the start; the address is printed in any case
    """
    use_store(store_path or os.environ.get(STORE_VARIABLE) or None)
    keep_presses()
    access = Access()
    return {
        "script_path": Path(__file__).parents[1] / "script.py",
        "routes": [Route("/", _send_index), *api_routes()],
        "middleware": security_middleware(access),
        "lifespan": _announce(access, browser=browser),
    }


def _announce(
    access: Access, *, browser: bool
) -> Callable[[Any], AbstractAsyncContextManager[dict[str, Any]]]:
    """Return what to do when the server starts: print the address, open it, read in advance."""
    from streamlit import config

    @asynccontextmanager
    async def announce(_: Any) -> AsyncIterator[dict[str, Any]]:
        address = access.address(int(config.get_option("server.port")))
        print(f"The page is at {address} (this machine only; Ctrl+C ends it)", flush=True)
        if browser:
            threading.Timer(OPEN_AFTER_S, webbrowser.open, [address]).start()
        remove_abandoned()
        threading.Thread(target=page().warm_up, daemon=True).start()
        yield {}

    return announce


def page_app(store_path: str | Path | None = None, *, browser: bool = False) -> Any:
    """Return the page as a `streamlit.starlette.App` with its own routes; see `app_parts`."""
    import streamlit as st

    return st.App(**app_parts(store_path, browser=browser))


def bind_socket(port: int = 0) -> socket.socket:
    """Return a listening socket bound to this machine only; early requests wait for the page.

    The protocol is given, because the event loop disables Nagle's algorithm only for a socket of
    protocol TCP; otherwise each small response is about 40 ms late. Port 0 takes a free one.

    Raises
    ------
    OSError
        if the port is taken
    """
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    sock.setsockopt(socket.SOL_SOCKET, _address_option(), 1)
    try:
        sock.bind((HOST, port))
        sock.listen()
    except OSError:
        sock.close()
        raise
    return sock


def _address_option() -> int:
    """Return the option of a socket that allows a port again at once, but to one program only.

    On Windows `SO_REUSEADDR` lets several programs share a port; there, the other option keeps
    them out [1]_.

    References
    ----------
    .. [1] Microsoft, "Using SO_REUSEADDR and SO_EXCLUSIVEADDRUSE", Windows Sockets 2.
    """
    return int(getattr(socket, "SO_EXCLUSIVEADDRUSE", socket.SO_REUSEADDR))


def open_page(store_path: str | Path | None = None, *, port: int = 0, browser: bool = True) -> None:
    """Serve the page until interrupted.

    Parameters
    ----------
    store_path : str, Path or None
        see `app_parts`
    port : int
        0 takes a free one
    browser : bool
        open the system's browser; the address is printed in any case
    """
    import uvicorn
    from streamlit.web import bootstrap

    sock = bind_socket(port)
    app = page_app(store_path, browser=browser)
    bootstrap.load_config_options(page_options() | {"server.port": sock.getsockname()[1]})
    config = uvicorn.Config(
        app,
        log_config=None,
        log_level="warning",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        ws="websockets-sansio",
        ws_max_size=2**24,
    )
    uvicorn.Server(config).run(sockets=[sock])
