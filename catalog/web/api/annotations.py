"""Routes that annotate hits and revert annotations, without a rerun of the page."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from catalog.errors import ParameterError
from catalog.library.store.annotations import Annotation
from catalog.models import MARKS, ROLES
from catalog.web.api.responses import NOT_KEPT, answer, read_json
from catalog.web.state import page

TEXT_KEYS = ("mark", "role", "remark")
LIST_KEYS = ("add", "drop")


def read_annotation(body: Any) -> tuple[list[int], dict[str, Any]]:
    """Read {"ids": [3, 17], "mark": "star", "add": ["dry"]}.

    Returns
    -------
    ids : list of int
    annotation : dict, keywords of `Annotations.annotate`

    Raises
    ------
    ValueError
        if it is not of that form
    """
    if not isinstance(body, dict) or not isinstance(body.get("ids"), list) or not body["ids"]:
        raise ValueError("no hits named")
    ids = [i for i in body["ids"] if isinstance(i, int) and not isinstance(i, bool)]
    what = {k: body[k] for k in TEXT_KEYS if isinstance(body.get(k), str)}
    what |= {k: body[k] for k in LIST_KEYS if _is_words(body.get(k))}
    if len(ids) != len(body["ids"]) or set(body) - {"ids"} != set(what) or not what:
        raise ValueError("not understood")
    return ids, what


def _is_words(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(word, str) for word in value)


def _changed_response(before: Sequence[Annotation]) -> Response:
    """Return the token for reverting, and each changed hit as [id, role, mark]."""
    changed = []
    for annotation in before:
        hit = page().catalog.hit(annotation.hit_id)
        changed.append([hit.id, ROLES.index(hit.role), MARKS.index(hit.mark)])
    token = secrets.token_urlsafe(8)
    page().undo_steps.put(token, list(before))
    body = {"step": token, "changed": changed}
    return JSONResponse(body, headers=NOT_KEPT)


async def _annotate(request: Request) -> Response:
    try:
        ids, what = read_annotation(await read_json(request))
    except ValueError as err:
        return PlainTextResponse(str(err), 400, headers=NOT_KEPT)

    def work() -> Response:
        try:
            return _changed_response(page().catalog.annotations.annotate(ids, **what))
        except ParameterError as err:
            return PlainTextResponse(str(err), 400, headers=NOT_KEPT)

    return await answer(work)


async def _revert(request: Request) -> Response:
    before = page().undo_steps.pop(request.path_params["step"])
    if before is None:
        return PlainTextResponse("this can no longer be undone", 404, headers=NOT_KEPT)
    return await answer(lambda: _changed_response(page().catalog.annotations.revert(before)))


ROUTES = (
    Route("/api/say", _annotate, methods=["POST"]),
    Route("/api/unsay/{step:str}", _revert, methods=["POST"]),
)
