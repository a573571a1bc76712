"""Routes of the first view: the rows of the list, answers to a question, and what has changed."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.errors import CatalogError
from catalog.web.acts import describe_acts
from catalog.web.api.responses import (
    in_thread,
    refuse,
    send_bytes,
    send_json,
    send_outdated,
    with_json,
)
from catalog.web.labels import plain
from catalog.web.search import QueryAnswer, answer_query, make_mask, read_conditions
from catalog.web.state import page


@in_thread
def _rows(request: Request) -> Response:
    pack = page().rows()
    if pack.version != request.path_params["version"]:
        return send_outdated()
    return send_bytes(pack.body, is_current=True)


@with_json
def _find(body: Any) -> Response:
    """Send a mask over the points; the version of the points must be the one that is shown."""
    try:
        conditions = read_conditions(body)
    except (ValueError, TypeError, OverflowError) as err:
        raise refuse(400, str(err)) from err
    pack = page().points()
    if body.get("points") != pack.version:
        return send_outdated()
    answer = _answer(conditions.query)
    mask = send_bytes(make_mask(page().columns(), pack.ids, conditions, answer))
    mask.headers["X-No-Good"] = str(int(answer is not None and answer.no_good))
    return mask


def _answer(query: str) -> QueryAnswer | None:
    """Return what the query of the search field finds, once for each state of the catalog."""
    if not query:
        return None
    key = page().catalog.revision(), query
    answer = page().answers.get(key)
    try:
        answer = answer or answer_query(page().catalog, query)
    except CatalogError as err:
        raise refuse(400, plain(str(err))) from err
    page().answers.put(key, answer)
    return answer


def describe_now() -> dict[str, Any]:
    """Return the versions of what the page shows, and the state of the scan and the map."""
    scan = page().scans.state()
    share = round(100 * scan.done / scan.total) if scan.total else 0
    points, ids = page().points().version, page().points().ids
    return {
        "points": points,
        "rows": page().rows().version,
        "kit": page().kit_session.revision,
        "scan": {"share": share, "text": scan.text} if scan.is_running else None,
        "layout": "" if scan.is_running else page().map_job.describe(page().catalog, ids),
        "acts": describe_acts(page().catalog, page().kit_session),
        "warning": plain(next(iter(_warnings()), "")),
    }


def _warnings() -> list[str]:
    files = page().catalog.files
    moves = (f"A move was interrupted: {text}. See Duplicates." for text in files.warnings())
    return [*moves, *files.damage()]


@in_thread
def _now(_: Request) -> Response:
    return send_json(describe_now())


ROUTES = (
    Route("/api/rows/{version:str}", _rows),
    Route("/api/find", _find, methods=["POST"]),
    Route("/api/now", _now),
)
