"""Routes for the map and the lists: points, one hit, similar hits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.errors import ParameterError
from catalog.features.descriptors.note_names import note_name
from catalog.models import Hit
from catalog.search.constraints import CONSTRAINT_WORDS
from catalog.search.matches import Match
from catalog.web.api.responses import in_thread, refuse, send_bytes, send_json, send_outdated
from catalog.web.labels import count_of, plain
from catalog.web.payloads import describe_row, pick_row
from catalog.web.server.assets import modules, modules_version
from catalog.web.state import page

N_ROWS = 10  # alternates and similar hits shown
N_SEARCHED = 500  # similar hits of which those of one session are taken
OUTDATED = "outdated; load the page again"


@in_thread
def _points(request: Request) -> Response:
    pack = page().points()
    if pack.version != request.path_params["version"]:
        return send_outdated()
    return send_bytes(pack.body, is_current=True)


async def _module(request: Request) -> Response:
    source = modules().get(request.path_params["name"])
    if source is None or request.path_params["version"] != modules_version():
        raise refuse(404, OUTDATED)
    return send_bytes(source.encode(), is_current=True, kind="text/javascript")


@in_thread
def _about(request: Request) -> Response:
    catalog = page().catalog
    hit = catalog.hit(request.path_params["hit_id"])
    pitch = catalog.search.drum_pitch(hit.id)
    hz, note = (round(pitch.hz, 2), note_name(pitch.hz)) if pitch is not None else (None, "")
    more = {"pitch_hz": hz, "body_note": note, "microphones": _describe_microphones(hit)}
    reason = catalog.roles.reason(hit.id)
    why = {"role_why": reason.reasons, "is_misnamed": reason.is_misnamed}
    return send_json(describe_row(hit) | more | why)


def _describe_microphones(hit: Hit) -> list[dict[str, Any]]:
    """Return the microphones of a stroke, each with what is needed to play it."""
    rows = []
    for mic in hit.microphones:
        late = mic.delay_samples
        rows.append(
            pick_row(page().catalog.hit(mic.hit_id))
            | {
                "microphone": plain(mic.name),
                "level_db": mic.level_db,
                "delay_ms": None if late is None else round(1000 * late / hit.sr, 2),
                "polarity": mic.polarity,
            }
        )
    return rows


def send_near(hit: int | Path, params: Mapping[str, str]) -> Response:
    """Send alternates and similar hits as rows with reasons; an uploaded file has no alternates.

    `params` may hold "from=elsewhere" for other sessions or "from=session" for the session of the
    hit, and "but=darker,tighter"; unknown words are ignored. "notice" explains a condition that
    cannot be met. No hit is sent twice.
    """
    origin, notice = params.get("from", ""), ""
    words = [w for w in params.get("but", "").split(",") if w in CONSTRAINT_WORDS]
    alternates = _find_alternates(hit) if isinstance(hit, int) and origin != "elsewhere" else []
    try:
        similar = _find_similar(hit, origin, words)
    except ParameterError as err:
        similar, notice = [], str(err)
    if words and not notice and len(similar) < N_ROWS:
        notice = f"Found {count_of(len(similar), 'hit')} like that in the catalog."
    listed = {match.hit.id for match in alternates}
    rows: dict[str, Any] = {
        "alternates": [_describe_match(match) for match in alternates],
        "similar": [_describe_match(m) for m in similar if m.hit.id not in listed][:N_ROWS],
    }
    return send_json(rows | {"notice": notice})


def _find_alternates(hit_id: int) -> list[Match]:
    """Return other strokes of a drum; a hit whose drum is named has those of that drum alone."""
    catalog = page().catalog
    hit, found = catalog.hit(hit_id), catalog.alternates(hit_id, N_ROWS)
    if not hit.drum:
        return found
    return [m for m in found if (m.hit.session, m.hit.drum) == (hit.session, hit.drum)]


def _find_similar(hit: int | Path, origin: str, words: Sequence[str]) -> list[Match]:
    """Return similar hits from anywhere, from other sessions or from the session of the hit."""
    catalog, but = page().catalog, list(words) or None
    if origin != "session" or not isinstance(hit, int):
        return catalog.similar(hit, 2 * N_ROWS, elsewhere=origin == "elsewhere", but=but)
    session = catalog.hit(hit).session
    found = catalog.similar(hit, N_SEARCHED, but=but)
    return [match for match in found if match.hit.session == session]


def _describe_match(match: Match) -> dict[str, Any]:
    return describe_row(match.hit) | {
        "why": list(match.reasons),
        "distance": round(float(match.distance), 4),
    }


@in_thread
def _near(request: Request) -> Response:
    return send_near(page().catalog.hit(request.path_params["hit_id"]).id, request.query_params)


ROUTES = (
    Route("/api/points/{version:str}", _points),
    Route("/api/audition/{version:str}/{name:path}", _module),
    Route("/api/about/{hit_id:id}", _about),
    Route("/api/near/{hit_id:id}", _near),
)
