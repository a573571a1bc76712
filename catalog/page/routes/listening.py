"""What the map and the lists are made of: points, masks, one hit and what is like it."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from catalog.page import opened
from catalog.page.packed import describe_row
from catalog.page.routes.answers import FOR_GOOD, NOT_KEPT, answer
from catalog.page.script_text import join_scripts, script_version
from catalog.sound.descriptors import note_name

N_ROWS = 10  # alternates and similar hits shown


async def _points(request: Request) -> Response:
    def work() -> Response:
        pack = opened.current_points()
        if pack.version != request.path_params["version"]:
            return PlainTextResponse("outdated; load the page again", 404, headers=NOT_KEPT)
        return Response(pack.body, media_type="application/octet-stream", headers=FOR_GOOD)

    return await answer(work)


async def _audition(request: Request) -> Response:
    if request.path_params["version"] != script_version():
        return PlainTextResponse("outdated; load the page again", 404, headers=NOT_KEPT)
    return Response(join_scripts(), media_type="text/javascript", headers=FOR_GOOD)


async def _mask(request: Request) -> Response:
    mask = opened.get_mask(request.path_params["version"])
    if mask is None:
        return PlainTextResponse("outdated; look for it again", 404, headers=NOT_KEPT)
    return Response(mask, media_type="application/octet-stream", headers=NOT_KEPT)


async def _about(request: Request) -> Response:
    def work() -> Response:
        hit = opened.open_catalog().hit(request.path_params["hit_id"])
        row = describe_row(hit)
        row["body_note"] = note_name(hit.descriptors.get("body_hz", float("nan")))
        return JSONResponse(row, headers=NOT_KEPT)

    return await answer(work)


async def _near(request: Request) -> Response:
    elsewhere = request.query_params.get("elsewhere") == "1"

    def work() -> Response:
        catalog = opened.open_catalog()
        hit_id = catalog.hit(request.path_params["hit_id"]).id
        lists = {
            "alternates": catalog.alternates(hit_id, N_ROWS),
            "similar": catalog.similar(hit_id, N_ROWS, elsewhere=elsewhere),
        }
        return JSONResponse(
            {
                name: [
                    describe_row(catalog.hit(match.hit_id))
                    | {"why": list(catalog.reasons(hit_id, match.hit_id))}
                    | {"distance": round(float(match.distance), 4)}
                    for match in matches
                ]
                for name, matches in lists.items()
            },
            headers=NOT_KEPT,
        )

    return await answer(work)


ROUTES = (
    Route("/api/points/{version:str}", _points),
    Route("/api/audition/{version:str}.js", _audition),
    Route("/api/mask/{version:str}", _mask),
    Route("/api/about/{hit_id:int}", _about),
    Route("/api/near/{hit_id:int}", _near),
)
