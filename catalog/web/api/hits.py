"""Routes for the map and the lists: points, masks, one hit, similar hits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from catalog.errors import ParameterError
from catalog.features.descriptors import note_name
from catalog.search.constraints import CONSTRAINT_WORDS
from catalog.web.api.responses import FOR_GOOD, NOT_KEPT, answer
from catalog.web.assets import modules, modules_version
from catalog.web.payloads import describe_row
from catalog.web.state import page

N_ROWS = 10  # alternates and similar hits shown


async def _points(request: Request) -> Response:
    def work() -> Response:
        pack = page().points()
        if pack.version != request.path_params["version"]:
            return PlainTextResponse("outdated; load the page again", 404, headers=NOT_KEPT)
        return Response(pack.body, media_type="application/octet-stream", headers=FOR_GOOD)

    return await answer(work)


async def _module(request: Request) -> Response:
    source = modules().get(request.path_params["name"])
    if source is None or request.path_params["version"] != modules_version():
        return PlainTextResponse("outdated; load the page again", 404, headers=NOT_KEPT)
    return Response(source, media_type="text/javascript", headers=FOR_GOOD)


async def _mask(request: Request) -> Response:
    mask = page().masks.get(request.path_params["version"])
    if mask is None:
        return PlainTextResponse("outdated; look for it again", 404, headers=NOT_KEPT)
    return Response(mask, media_type="application/octet-stream", headers=NOT_KEPT)


async def _about(request: Request) -> Response:
    def work() -> Response:
        hit = page().catalog.hit(request.path_params["hit_id"])
        row = describe_row(hit)
        row["body_note"] = note_name(hit.descriptors.get("body_hz", float("nan")))
        return JSONResponse(row, headers=NOT_KEPT)

    return await answer(work)


@dataclass(frozen=True)
class NearWanted:
    """Conditions on similar hits: other sessions only, and words of `but`."""

    elsewhere: bool = False
    but: tuple[str, ...] = ()


def read_wanted(params: Mapping[str, str]) -> NearWanted:
    """Read "elsewhere=1&but=darker,tighter"; words that are unknown are left out."""
    words = params.get("but", "").split(",")
    return NearWanted(
        params.get("elsewhere") == "1", tuple(w for w in words if w in CONSTRAINT_WORDS)
    )


def describe_near(hit: int | Path, wanted: NearWanted) -> dict[str, Any]:
    """Return alternates and similar hits as rows with reasons; an uploaded file has no alternates.

    "trouble" explains a condition that cannot be met.
    """
    catalog = page().catalog
    trouble = ""
    try:
        similar = catalog.similar(hit, N_ROWS, elsewhere=wanted.elsewhere, but=wanted.but or None)
    except ParameterError as err:
        similar, trouble = [], str(err)
    if wanted.but and not trouble and len(similar) < N_ROWS:
        trouble = (
            f"Only {len(similar)} in the catalog go that way."
            if similar
            else ("No hit in the catalog goes that way.")
        )
    lists = {"alternates": catalog.alternates(hit, N_ROWS) if isinstance(hit, int) else []}
    rows = {
        name: [
            describe_row(match.hit)
            | {"why": list(match.reasons)}
            | {"distance": round(float(match.distance), 4)}
            for match in matches
        ]
        for name, matches in {**lists, "similar": similar}.items()
    }
    return rows | {"trouble": trouble}


async def _near(request: Request) -> Response:
    wanted = read_wanted(request.query_params)

    def work() -> Response:
        hit_id = page().catalog.hit(request.path_params["hit_id"]).id
        return JSONResponse(describe_near(hit_id, wanted), headers=NOT_KEPT)

    return await answer(work)


ROUTES = (
    Route("/api/points/{version:str}", _points),
    Route("/api/audition/{version:str}/{name:path}", _module),
    Route("/api/mask/{version:str}", _mask),
    Route("/api/about/{hit_id:int}", _about),
    Route("/api/near/{hit_id:int}", _near),
)
