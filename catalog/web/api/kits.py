"""Routes of the kit that is being built, and of a kit as a zip download."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from http.client import INSUFFICIENT_STORAGE
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Any

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from catalog.errors import CatalogError, KitError
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS
from catalog.web.api.responses import NO_STORE, in_thread, refuse, send_json, with_json
from catalog.web.kit_session.actions import apply_action, other_strokes
from catalog.web.kit_session.payload import describe_kit, describe_stroke
from catalog.web.labels import plain
from catalog.web.state import page

ZIP_PIECE = 2**16  # bytes sent at once


@in_thread
def _kit(_: Request) -> Response:
    return send_json(describe_kit(page().kit_session))


@with_json
def _apply_action(action: Any) -> Response:
    if not isinstance(action, dict):
        raise refuse(400, "not understood")
    try:
        apply_action(page().kit_session, action)
    except CatalogError as err:
        raise refuse(400, plain(str(err))) from err
    return send_json(describe_kit(page().kit_session))


@in_thread
def _strokes(request: Request) -> Response:
    slot = request.path_params["slot"]
    if slot not in SLOTS:
        raise refuse(404, "no such slot")
    return send_json([describe_stroke(hit) for hit in other_strokes(page().kit_session, slot)])


@in_thread
def _export(request: Request) -> Response:
    kit = page().downloads.get(request.path_params["token"])
    if kit is None:
        raise refuse(404, "no such kit; open the export again")
    try:
        file, folder = _pack_kit(kit)
    except (OSError, KitError) as err:
        fault = err if isinstance(err, OSError) else err.__cause__
        if not isinstance(fault, OSError):
            raise
        raise refuse(
            INSUFFICIENT_STORAGE,
            f"the kit could not be packed in the folder of temporary files, {gettempdir()} "
            f"({fault.strerror or fault}); make room on that disk, or export to a folder",
        ) from err
    return StreamingResponse(
        _send_then_delete(file, folder),
        media_type="application/zip",
        headers=NO_STORE | {"Content-Disposition": 'attachment; filename="kit.zip"'},
    )


def _pack_kit(kit: Kit) -> tuple[Path, TemporaryDirectory[str]]:
    """Return a zip file with an exported kit, and the folder that is to be deleted with it."""
    folder = TemporaryDirectory(prefix="kit-", dir=page().files.folder())
    try:
        root = Path(folder.name)
        written = page().catalog.export_kit(kit, root / "kit")
        with zipfile.ZipFile(root / "kit.zip", "w", zipfile.ZIP_DEFLATED) as archive:
            for path in sorted(written):
                archive.write(path, path.relative_to(root))
    except BaseException:
        folder.cleanup()
        raise
    return root / "kit.zip", folder


def _send_then_delete(file: Path, folder: TemporaryDirectory[str]) -> Iterator[bytes]:
    with folder, file.open("rb") as body:
        while piece := body.read(ZIP_PIECE):
            yield piece


ROUTES = (
    Route("/api/kit", _kit),
    Route("/api/kit/action", _apply_action, methods=["POST"]),
    Route("/api/kit/strokes/{slot:str}", _strokes),
    Route("/api/export/{token:str}", _export),
)
