"""Routes for the map and the lists: points, masks, one hit, similar hits."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.errors import ParameterError
from catalog.features.descriptors import note_name
from catalog.search.constraints import CONSTRAINT_WORDS
from catalog.web.api.responses import in_thread, refuse, send_bytes, send_json
from catalog.web.labels import count_of
from catalog.web.payloads import describe_row
from catalog.web.server.assets import modules, modules_version
from catalog.web.state import page

N_ROWS = 10  # alternates and similar hits shown
OUTDATED = "outdated; load the page again"


@in_thread
def _points(request: Request) -> Response:
    pack = page().points()
    if pack.version != request.path_params["version"]:
        raise refuse(404, OUTDATED)
    return send_bytes(pack.body, is_current=True)


async def _module(request: Request) -> Response:
    source = modules().get(request.path_params["name"])
    if source is None or request.path_params["version"] != modules_version():
        raise refuse(404, OUTDATED)
    return send_bytes(source.encode(), is_current=True, kind="text/javascript")


async def _mask(request: Request) -> Response:
    mask = page().masks.get(request.path_params["version"])
    if mask is None:
        raise refuse(404, "outdated; search again")
    return send_bytes(mask)


@in_thread
def _about(request: Request) -> Response:
    catalog = page().catalog
    hit = catalog.hit(request.path_params["hit_id"])
    pitch = catalog.search.drum_pitch(hit.id)
    hz, note = (round(pitch.hz, 2), note_name(pitch.hz)) if pitch is not None else (None, "")
    return send_json(describe_row(hit) | {"pitch_hz": hz, "body_note": note})


def send_near(hit: int | Path, params: Mapping[str, str]) -> Response:
    """Send alternates and similar hits as rows with reasons; an uploaded file has no alternates.

    `params` may hold "elsewhere=1", for other sessions only, and "but=darker,tighter"; unknown
    words are ignored. "notice" explains a condition that cannot be met.
    """
    catalog, notice = page().catalog, ""
    words = [w for w in params.get("but", "").split(",") if w in CONSTRAINT_WORDS]
    elsewhere = params.get("elsewhere") == "1"
    try:
        similar = catalog.similar(hit, N_ROWS, elsewhere=elsewhere, but=words or None)
    except ParameterError as err:
        similar, notice = [], str(err)
    if words and not notice and len(similar) < N_ROWS:
        notice = f"Found {count_of(len(similar), 'hit')} like that in the catalog."
    alternates = catalog.alternates(hit, N_ROWS) if isinstance(hit, int) else []
    rows: dict[str, Any] = {
        name: [
            describe_row(match.hit)
            | {"why": list(match.reasons), "distance": round(float(match.distance), 4)}
            for match in matches
        ]
        for name, matches in {"alternates": alternates, "similar": similar}.items()
    }
    return send_json(rows | {"notice": notice})


@in_thread
def _near(request: Request) -> Response:
    return send_near(page().catalog.hit(request.path_params["hit_id"]).id, request.query_params)


ROUTES = (
    Route("/api/points/{version:str}", _points),
    Route("/api/audition/{version:str}/{name:path}", _module),
    Route("/api/mask/{version:str}", _mask),
    Route("/api/about/{hit_id:id}", _about),
    Route("/api/near/{hit_id:id}", _near),
)
