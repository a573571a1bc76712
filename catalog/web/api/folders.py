"""Route that finds the path of a folder that was dropped on the page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from starlette.responses import Response
from starlette.routing import Route

from catalog.web.api.responses import refuse, send_json, with_json
from catalog.web.server.dropped import find_dropped
from catalog.web.state import page

MAX_INSIDE = 50  # names that are compared


@with_json
def _find(sent: Any) -> Response:
    if not isinstance(sent, dict):
        raise refuse(400, "not understood")
    inside = sent.get("inside", [])
    names: list[Any] = [sent.get("name"), *(inside if isinstance(inside, list) else [None])]
    if not all(_is_name(part) for part in names) or len(names) > MAX_INSIDE + 1:
        raise refuse(400, "not understood")
    known = (Path(folder.path).parent for folder in page().catalog.folders())
    return send_json(
        [str(path) for path in find_dropped(names[0], names[1:], [Path.home(), *known])]
    )


def _is_name(part: object) -> bool:
    """Return whether this is the name of a file, not a path."""
    if not isinstance(part, str) or not 0 < len(part) <= 255 or part in (".", ".."):
        return False
    return not set(part) & {"/", "\\", "\0"} and part.isprintable()


ROUTES = (Route("/api/folders", _find, methods=["POST"]),)
