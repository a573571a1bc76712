"""Routes that annotate hits, undo acts and redo them, without a rerun of the page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.errors import StoreError
from catalog.library.undo.undo import UndoResult
from catalog.models import MARKS, ROLES
from catalog.web.acts import describe_acts, describe_entry, next_redo, next_undo
from catalog.web.api.responses import in_thread, refuse, send_json, with_json
from catalog.web.kit_session.session import Step
from catalog.web.labels import plain
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


def _send_changed(ids: Sequence[int], **more: Any) -> Response:
    """Send each changed hit as [id, role, mark], and what can be undone and done again now.

    An annotation also sends the hits whose estimated roles followed, each as [id, role].
    """
    hits = page().catalog.hits_by_id(ids, skip_unknown=True).values()
    changed = [[hit.id, ROLES.index(hit.role), MARKS.index(hit.mark)] for hit in hits]
    return send_json(
        {"changed": changed, "acts": describe_acts(page().catalog, page().kit_session), **more}
    )


@with_json
def _annotate(body: Any) -> Response:
    try:
        ids, values = read_annotation(body)
        before = page().catalog.annotations.annotate(ids, **values)
        after = page().catalog.hits_by_id([old.hit_id for old in before], skip_unknown=True)
    except StoreError:
        raise
    except ValueError as err:
        raise refuse(400, str(err)) from err
    followed = [
        [old.hit_id, ROLES.index(after[old.hit_id].role)]
        for old in before
        if old.hit_id in after and old.hit_id not in ids and after[old.hit_id].role != old.role
    ]
    return _send_changed([annotation.hit_id for annotation in before], followed=followed)


def _send_result(result: UndoResult) -> Response:
    """Send what an undo or a redo did, and why hits were left as they are."""
    text = "; ".join(plain(f"{act.verb}: {act.summary}") for act in result.acts)
    left = [plain(why) for _, why in result.left]
    return _send_changed(result.hit_ids, text=text, left=left)


@in_thread
def _undo(request: Request) -> Response:
    act_id = request.path_params.get("act")
    if act_id is None and isinstance(step := next_undo(page().catalog, page().kit_session), Step):
        return _move_kit(step, -1, request)
    return _send_result(page().catalog.files.undo(None if act_id is None else [act_id]))


def _move_kit(step: Step, by: int, request: Request) -> Response:
    """Undo (-1) or redo (1) a step of the kit; a tab that shows another kit is refused."""
    session, shown = page().kit_session, request.query_params.get("revision", "")
    tab = request.query_params.get("tab", "")

    def move() -> None:
        session.check_is_shown(int(shown) if shown.isdecimal() else None, tab=tab)
        session.move(by)

    session.change(move, tab=tab)
    return _send_changed([], text=describe_entry(step)["text"], left=[], kit=session.revision)


@in_thread
def _redo(request: Request) -> Response:
    entry = next_redo(page().catalog, page().kit_session)
    if isinstance(entry, Step):
        return _move_kit(entry, 1, request)
    return _send_result(page().catalog.redo() if entry else UndoResult((), ()))


ROUTES = (
    Route("/api/annotate", _annotate, methods=["POST"]),
    Route("/api/undo", _undo, methods=["POST"]),
    Route("/api/undo/{act:id}", _undo, methods=["POST"]),
    Route("/api/redo", _redo, methods=["POST"]),
)
