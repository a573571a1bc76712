"""Routes of the questions that the user saved under a name."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.errors import CatalogError
from catalog.web.api.responses import in_thread, refuse, send_json, with_json
from catalog.web.saved_questions import delete_question, read_questions, save_question
from catalog.web.state import page


@in_thread
def _list(_: Request) -> Response:
    return send_json(read_questions(page().catalog))


@with_json
def _change(sent: Any) -> Response:
    if not isinstance(sent, dict) or not isinstance(sent.get("name"), str):
        raise refuse(400, "not understood")
    name, text, drawn = sent["name"], sent.get("text"), sent.get("drawn")
    try:
        if sent.get("op") == "delete":
            return send_json(delete_question(page().catalog, name))
        if sent.get("op") != "save" or not isinstance(text, str):
            raise refuse(400, "not understood")
        return send_json(save_question(page().catalog, name, text, drawn=drawn))
    except (CatalogError, TypeError, ValueError, OverflowError) as err:
        raise refuse(400, str(err)) from err


ROUTES = (
    Route("/api/questions", _list),
    Route("/api/questions", _change, methods=["POST"]),
)
