"""Routes that annotate hits and revert annotations, without a rerun of the page."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.library.store.records.annotations import Annotation
from catalog.models import MARKS, ROLES
from catalog.web.api.responses import in_thread, refuse, send_json, with_json
from catalog.web.state import page

TEXT_KEYS = ("mark", "role", "remark")
LIST_KEYS = ("add", "drop")


def read_annotation(body: Any) -> tuple[list[int], dict[str, Any]]:
    """Read {"ids": [3, 17], "mark": "master", "add": ["dry"]}.

    Returns
    -------
    ids : list of int
    values : dict, keywords of `Annotations.annotate`

    Raises
    ------
    ValueError
        if it is not of that form
    """
    if not isinstance(body, dict) or not isinstance(body.get("ids"), list) or not body["ids"]:
        raise ValueError("no hits named")
    ids = [i for i in body["ids"] if isinstance(i, int) and not isinstance(i, bool)]
    values = {k: body[k] for k in TEXT_KEYS if isinstance(body.get(k), str)}
    values |= {k: body[k] for k in LIST_KEYS if _is_words(body.get(k))}
    if len(ids) != len(body["ids"]) or set(body) - {"ids"} != set(values) or not values:
        raise ValueError("not understood")
    return ids, values


def _is_words(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(word, str) for word in value)


def _send_changed(before: Sequence[Annotation]) -> Response:
    """Send the token for reverting, and each changed hit as [id, role, mark]."""
    hits = [page().catalog.hit(annotation.hit_id) for annotation in before]
    token = secrets.token_urlsafe(8)
    page().undo_steps.put(token, list(before))
    changed = [[hit.id, ROLES.index(hit.role), MARKS.index(hit.mark)] for hit in hits]
    return send_json({"step": token, "changed": changed})


@with_json
def _annotate(body: Any) -> Response:
    try:
        ids, values = read_annotation(body)
        before = page().catalog.annotations.annotate(ids, **values)
    except ValueError as err:
        raise refuse(400, str(err)) from err
    return _send_changed(before)


@in_thread
def _revert(request: Request) -> Response:
    before = page().undo_steps.pop(request.path_params["step"])
    if before is None:
        raise refuse(404, "this can no longer be undone")
    return _send_changed(page().catalog.annotations.revert(before))


ROUTES = (
    Route("/api/annotate", _annotate, methods=["POST"]),
    Route("/api/revert/{step:str}", _revert, methods=["POST"]),
)
