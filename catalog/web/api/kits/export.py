"""Routes that plan an export of the present kit, write it, and send a kit as zip."""

from __future__ import annotations

import os
import zipfile
from collections.abc import Iterator
from http.client import INSUFFICIENT_STORAGE
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from catalog.errors import CatalogError, KitError
from catalog.kit.export import ExportOptions, ExportPlan
from catalog.kit.model import Kit
from catalog.web.api.responses import NO_STORE, in_thread, refuse, send_json, with_json
from catalog.web.labels import count_of, plain, slot_word
from catalog.web.state import page

ZIP_PIECE = 2**16  # bytes sent at once
FULL_PATH = "Enter the full path of a folder that does not exist yet."


def _read_request(sent: Any) -> tuple[Path, ExportOptions]:
    """Read folder, format and microphone of an export; what cannot be used is refused."""
    if not isinstance(sent, dict) or not isinstance(sent.get("folder"), str):
        raise refuse(400, "not understood")
    try:
        folder = Path(sent["folder"].strip()).expanduser()
        is_usable = bool(sent["folder"].strip()) and b"\0" not in os.fsencode(folder)
    except (UnicodeError, RuntimeError):  # of a home folder that does not exist
        is_usable = False
    if not is_usable or not folder.is_absolute():
        raise refuse(400, FULL_PATH)
    try:
        return folder, ExportOptions(
            subtype=str(sent.get("subtype", "PCM_24")),
            microphone=str(sent.get("microphone", "")),
            notes=page().notes,
        )
    except KitError as err:
        raise refuse(400, plain(str(err))) from err


def describe_plan(plan: ExportPlan) -> dict[str, Any]:
    """Return the files that an export would write, by slot, and what speaks against it."""
    slots = [
        {
            "label": slot_word(slot),
            "notes": list(files[0].notes),
            "n_bytes": sum(file.n_bytes for file in files),
            "files": [
                {"file": file.file, "n_bytes": file.n_bytes, "source": plain(file.source.name)}
                for file in files
            ],
        }
        for slot, files in plan.by_slot()
    ]
    return {
        "folder": plain(str(plan.folder)),
        "slots": slots,
        "documents": list(plan.documents),
        "n_bytes": plan.n_bytes,
        "notes": [plain(line) for line in (*plan.warnings, *plan.level_notes)],
        "refusals": [plain(line) for line in plan.refusals],
    }


@with_json
def _plan(sent: Any) -> Response:
    folder, options = _read_request(sent)
    kit = page().kit_session.kit
    try:
        plan = page().catalog.kits.plan_export(kit, folder, options)
    except CatalogError as err:
        raise refuse(400, plain(str(err))) from err
    token = page().offer_download(kit, options)
    return send_json({**describe_plan(plan), "download": f"/api/export/{token}"})


@with_json
def _write(sent: Any) -> Response:
    folder, options = _read_request(sent)
    try:
        written = page().catalog.export_kit(page().kit_session.kit, folder, options)
    except CatalogError as err:
        raise refuse(400, plain(str(err))) from err
    return send_json({"text": f"{count_of(len(written), 'file')} written to {plain(str(folder))}"})


@in_thread
def _export(request: Request) -> Response:
    offered = page().downloads.get(request.path_params["token"])
    if offered is None:
        raise refuse(404, "no such kit; open the export again")
    kit, options = offered
    try:
        file, folder = _pack_kit(kit, options)
    except (OSError, KitError) as err:
        fault = err if isinstance(err, OSError) else err.__cause__
        if not isinstance(fault, OSError):
            raise
        raise refuse(
            INSUFFICIENT_STORAGE,
            f"the kit could not be packed in the folder of temporary files, {gettempdir()} "
            f"({fault.strerror or fault}); make room on that disk, or export to a folder",
        ) from err
    name = quote(f"{plain(kit.name).replace('/', '-') or 'kit'}.zip")
    return StreamingResponse(
        _send_then_delete(file, folder),
        media_type="application/zip",
        headers=NO_STORE | {"Content-Disposition": f"attachment; filename*=UTF-8''{name}"},
    )


def _pack_kit(kit: Kit, options: ExportOptions) -> tuple[Path, TemporaryDirectory[str]]:
    """Return a zip file with an exported kit, and the folder that is to be deleted with it."""
    folder = TemporaryDirectory(prefix="kit-", dir=page().files.folder())
    try:
        root = Path(folder.name)
        written = page().catalog.export_kit(kit, root / "kit", options)
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
    Route("/api/kit/plan", _plan, methods=["POST"]),
    Route("/api/kit/export", _write, methods=["POST"]),
    Route("/api/export/{token:str}", _export),
)
