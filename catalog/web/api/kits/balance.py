"""Route of the levels, pitches and masking of the kit that is being built."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.errors import CatalogError
from catalog.web.api.responses import in_thread, refuse, send_json
from catalog.web.kit_session.balance import describe_balance
from catalog.web.labels import plain
from catalog.web.state import page


@in_thread
def _balance(_: Request) -> Response:
    try:
        return send_json(describe_balance(page().catalog, page().kit_session.kit))
    except CatalogError as err:
        raise refuse(400, plain(str(err))) from err


ROUTES = (Route("/api/kit/balance", _balance),)
