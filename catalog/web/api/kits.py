"""Routes of the kit that is being built, and of a kit as a zip download."""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from catalog.errors import CatalogError
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS
from catalog.web.api.responses import NOT_KEPT, answer, read_json
from catalog.web.kit_session.actions import apply_action, other_strokes
from catalog.web.kit_session.payload import describe_kit, describe_stroke
from catalog.web.labels import plain
from catalog.web.state import page

ZIP_PIECE = 2**16


async def _kit(request: Request) -> Response:
    def work() -> Response:
        return JSONResponse(describe_kit(page().kit_session), headers=NOT_KEPT)

    return await answer(work)


async def _act(request: Request) -> Response:
    try:
        action = await read_json(request)
    except ValueError as err:
        return PlainTextResponse(str(err), 400, headers=NOT_KEPT)
    if not isinstance(action, dict):
        return PlainTextResponse("not understood", 400, headers=NOT_KEPT)

    def work() -> Response:
        session = page().kit_session
        try:
            apply_action(session, action)
        except CatalogError as err:
            return PlainTextResponse(plain(str(err)), 400, headers=NOT_KEPT)
        return JSONResponse(describe_kit(session), headers=NOT_KEPT)

    return await answer(work)


async def _strokes(request: Request) -> Response:
    slot = request.path_params["slot"]
    if slot not in SLOTS:
        return PlainTextResponse("no such place", 404, headers=NOT_KEPT)

    def work() -> Response:
        rows = [describe_stroke(hit) for hit in other_strokes(page().kit_session, slot)]
        return JSONResponse(rows, headers=NOT_KEPT)

    return await answer(work)


async def _export(request: Request) -> Response:
    kit = page().downloads.get(request.path_params["word"])
    if kit is None:
        return PlainTextResponse("no such kit; open the export again", 404, headers=NOT_KEPT)

    def work() -> Response:
        place = tempfile.TemporaryDirectory(prefix="kit-")
        file = zip_kit(kit, Path(place.name))
        return StreamingResponse(
            _send_then_clear(file, place),
            media_type="application/zip",
            headers=NOT_KEPT | {"Content-Disposition": 'attachment; filename="kit.zip"'},
        )

    return await answer(work)


def zip_kit(kit: Kit, folder: Path) -> Path:
    """Write a kit below `folder` and pack it into one file there.

    Raises
    ------
    KitError
        if the kit cannot be written
    """
    written = page().catalog.export_kit(kit, folder / "kit")
    with zipfile.ZipFile(folder / "kit.zip", "w", zipfile.ZIP_DEFLATED) as pack:
        for path in sorted(written):
            pack.write(path, path.relative_to(folder))
    return folder / "kit.zip"


def _send_then_clear(file: Path, place: tempfile.TemporaryDirectory[str]) -> Iterator[bytes]:
    with place, file.open("rb") as body:
        while piece := body.read(ZIP_PIECE):
            yield piece


ROUTES = (
    Route("/api/kit", _kit),
    Route("/api/kit/act", _act, methods=["POST"]),
    Route("/api/kit/strokes/{slot:str}", _strokes),
    Route("/api/export/{word:str}", _export),
)
