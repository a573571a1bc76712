"""What a person says of hits, at once and without drawing the page again, and taking it back."""

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

WORDS = ("mark", "role", "remark")
LISTS = ("add", "drop")


def read_saying(body: Any) -> tuple[list[int], dict[str, Any]]:
    """Read {"ids": [3, 17], "mark": "star", "add": ["dry"]}.

    Returns
    -------
    ids : list of int
    what : dict, keywords of `Annotations.annotate`

    Raises
    ------
    ValueError
        if it is not of that form
    """
    if not isinstance(body, dict) or not isinstance(body.get("ids"), list) or not body["ids"]:
        raise ValueError("no hits named")
    ids = [i for i in body["ids"] if isinstance(i, int) and not isinstance(i, bool)]
    what = {k: body[k] for k in WORDS if isinstance(body.get(k), str)}
    what |= {k: body[k] for k in LISTS if _is_words(body.get(k))}
    if len(ids) != len(body["ids"]) or set(body) - {"ids"} != set(what) or not what:
        raise ValueError("not understood")
    return ids, what


def _is_words(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(word, str) for word in value)


def _tell(before: Sequence[Annotation]) -> Response:
    """Answer with the word that takes it back, and each changed hit as [id, role, mark]."""
    changed = []
    for said in before:
        hit = page().catalog.hit(said.hit_id)
        changed.append([hit.id, ROLES.index(hit.role), MARKS.index(hit.mark)])
    token = secrets.token_urlsafe(8)
    page().undo_steps.put(token, list(before))
    body = {"step": token, "changed": changed}
    return JSONResponse(body, headers=NOT_KEPT)


async def _say(request: Request) -> Response:
    try:
        ids, what = read_saying(await read_json(request))
    except ValueError as err:
        return PlainTextResponse(str(err), 400, headers=NOT_KEPT)

    def work() -> Response:
        try:
            return _tell(page().catalog.annotations.annotate(ids, **what))
        except ParameterError as err:
            return PlainTextResponse(str(err), 400, headers=NOT_KEPT)

    return await answer(work)


async def _unsay(request: Request) -> Response:
    before = page().undo_steps.pop(request.path_params["step"])
    if before is None:
        return PlainTextResponse("this can no longer be taken back", 404, headers=NOT_KEPT)
    return await answer(lambda: _tell(page().catalog.annotations.revert(before)))


ROUTES = (
    Route("/api/say", _say, methods=["POST"]),
    Route("/api/unsay/{step:str}", _unsay, methods=["POST"]),
)
