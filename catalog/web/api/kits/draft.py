"""Routes of the kit that is being built."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.errors import CatalogError
from catalog.kit.slots import SLOTS
from catalog.web.acts import describe_acts
from catalog.web.api.responses import in_thread, refuse, send_json, with_json
from catalog.web.kit_session.actions import apply_action, other_strokes
from catalog.web.kit_session.payload import describe_kit, describe_stroke
from catalog.web.labels import plain
from catalog.web.state import page


def _send_kit() -> Response:
    """Send the kit, and what can be undone and done again now."""
    session = page().kit_session
    acts = describe_acts(page().catalog, session)
    return send_json({**describe_kit(session, page().notes), "acts": acts})


@in_thread
def _kit(_: Request) -> Response:
    return _send_kit()


@with_json
def _apply_action(action: Any) -> Response:
    if not isinstance(action, dict):
        raise refuse(400, "not understood")
    try:
        apply_action(page().kit_session, action)
    except CatalogError as err:
        raise refuse(400, plain(str(err))) from err
    return _send_kit()


@in_thread
def _strokes(request: Request) -> Response:
    slot = request.path_params["slot"]
    if slot not in SLOTS:
        raise refuse(404, "no such slot")
    return send_json([describe_stroke(hit) for hit in other_strokes(page().kit_session, slot)])


ROUTES = (
    Route("/api/kit", _kit),
    Route("/api/kit/action", _apply_action, methods=["POST"]),
    Route("/api/kit/strokes/{slot:str}", _strokes),
)
