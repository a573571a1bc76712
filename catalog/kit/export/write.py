"""Write an export plan beside its target, verify it, then rename it into place."""

from __future__ import annotations

import errno
import hashlib
import os
import zipfile
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from catalog.audio.metadata.bext import add_hit_bext
from catalog.audio.model import Audio
from catalog.errors import KitArgumentError, KitError
from catalog.kit.export.audio import apply_gain, encode_stroke, verify_stroke
from catalog.kit.export.documents import make_documents, manifest_row
from catalog.kit.export.microphones import MicrophoneExport
from catalog.kit.export.options import ExportOptions
from catalog.kit.export.plan import ExportPlan, PlannedFile, plan_export
from catalog.kit.levels import tune_stroke
from catalog.kit.model import Kit
from catalog.kit.phrase import phrase_midi, render_phrase, select_phrase
from catalog.kit.strokes import StrokeReader
from catalog.library.files.atomic import rename_into_place, staging_folder, write_synced
from catalog.models import Hit

Read = Callable[[Hit], Audio]
ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the earliest of the format, so that equal kits give equal bytes


def export_kit(
    kit: Kit,
    hits: Mapping[int, Hit],
    folder: str | Path,
    *,
    read: Callable[[Hit], Audio],
    options: ExportOptions | None = None,
    microphones: MicrophoneExport | None = None,
) -> list[Path]:
    """Write a kit as a new folder of audio with an SFZ file, key map, manifest and README.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit, at least those of the kit
    folder : str or Path
    read : callable, decodes the stroke of a hit
    options : ExportOptions, optional
    microphones : MicrophoneExport, optional, made from the same `hits` and `read`

    Returns
    -------
    list of Path
        every file written, sorted; the zip, if there is one, is the last

    Raises
    ------
    KitError
        if `plan_export` raises or refuses, a hit cannot be read, the disk is full, or a written
        file does not read back; nothing is left then
    """
    strokes = StrokeReader.of(read)  # each stroke is decoded once
    plan = plan_export(
        kit, hits, folder, read=strokes, options=options, check_space=False, microphones=microphones
    )
    read_part = microphones.read_part if microphones is not None else None
    if plan.refusals:
        raise KitError(f"{plan.refusals[0]}; nothing was written")
    try:
        _write_plan(plan, hits, read=strokes, read_part=read_part or strokes)
    except OSError as err:
        error = KitArgumentError if err.errno == errno.ENAMETOOLONG else KitError
        raise error(
            f"{plan.folder.name} could not be written ({err.strerror}); nothing is left of it"
        ) from err
    written = sorted(path for path in plan.folder.rglob("*") if path.is_file())
    return written + ([plan.zip_file] if plan.zip_file is not None else [])


def _write_plan(
    plan: ExportPlan, hits: Mapping[int, Hit], *, read: StrokeReader, read_part: Read
) -> None:
    """Write the folder and its zip beside their targets, then rename both into place or none."""
    with staging_folder(plan.folder) as staging, ExitStack() as undo:
        made, made_zip = staging / "folder", staging / "packed"
        made.mkdir()
        _write_files(plan, made, hits, read=read, read_part=read_part)
        if plan.zip_file is not None:
            _pack_zip(made, made_zip, name=plan.folder.name)
            _move_into_place(made_zip, plan.zip_file)
            undo.callback(plan.zip_file.unlink, missing_ok=True)
        _move_into_place(made, plan.folder)
        undo.pop_all()


def _write_files(
    plan: ExportPlan,
    target: Path,
    hits: Mapping[int, Hit],
    *,
    read: StrokeReader,
    read_part: Read,
) -> None:
    """Write every file of the plan below `target`."""
    rows = [
        _write_stroke(plan, target, file, hit=file.part, read=read_part)
        if file.part is not None
        else _write_stroke(plan, target, file, hit=hits[file.hit_id], read=read)
        for file in plan.audio
    ]
    sr = plan.options.sr or max(row["sr"] for row in rows)
    phrase_sha256 = _write_phrase(plan, target, hits, read=read, sr=sr)
    documents = make_documents(plan, rows, hits, phrase_sha256=phrase_sha256)
    for name, text in documents.items():
        _write_checked(target / name, text.encode("utf-8", errors="replace"))


def _write_stroke(
    plan: ExportPlan, target: Path, file: PlannedFile, *, hit: Hit, read: Read
) -> dict[str, Any]:
    """Write one stroke and return its row of the manifest."""
    semitones, gain_db, options = file.tuning_semitones, file.gain_db or 0.0, plan.options
    audio = apply_gain(tune_stroke(read(hit), semitones, to_sr=options.sr), gain_db)
    data = encode_stroke(audio, options)
    if options.container == "WAV":
        tuning = f"; {semitones:+.1f} semitones" if semitones else ""
        data = add_hit_bext(
            data, hit, sr=audio.sr, subtype=options.subtype,
            n_channels=audio.samples.shape[1], text=f"kit; {gain_db:+.1f} dB{tuning}",
        )  # fmt: skip
    path = target / file.file
    _write_checked(path, data)
    written = verify_stroke(path, audio, options)
    row = manifest_row(file, hit, written, sha256=hashlib.sha256(data).hexdigest())
    return row | {"microphone_mix": plan.mixes.get(hit.id, "")}


def _write_phrase(
    plan: ExportPlan, target: Path, hits: Mapping[int, Hit], *, read: StrokeReader, sr: int
) -> str:
    """Write the phrase as audio and MIDI; return the SHA-256 of the audio file."""
    phrase, options = select_phrase("two bars", tuple(plan.gain_db)), plan.options
    samples = render_phrase(plan.kit, hits, phrase, gain_db=plan.gain_db, read=read, sr=sr)
    audio = apply_gain(Audio(samples, sr, options.container, options.subtype), 0.0)
    path = target / f"phrase{options.suffix}"
    data = encode_stroke(audio, options)
    _write_checked(path, data)
    verify_stroke(path, audio, options)
    _write_checked(target / "phrase.mid", phrase_midi(phrase.events, plan.options.notes))
    return hashlib.sha256(data).hexdigest()


def _write_checked(path: Path, data: bytes) -> None:
    """Write a new file to the disk; raise KitError if it does not read back byte for byte."""
    write_synced(path, data)
    if path.read_bytes() != data:
        raise KitError(f"{path.name} differs when read back")


def _pack_zip(folder: Path, target: Path, *, name: str) -> None:
    """Pack a folder, called `name` in the zip; raise KitError if a part does not read back."""
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    with target.open("xb") as file:
        with zipfile.ZipFile(file, "w") as pack:
            for path in paths:
                part = zipfile.ZipInfo(f"{name}/{path.relative_to(folder).as_posix()}", ZIP_TIME)
                part.compress_type, part.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
                pack.writestr(part, path.read_bytes())
        file.flush()
        os.fsync(file.fileno())
    with zipfile.ZipFile(target) as pack:
        for path, part in zip(paths, pack.infolist(), strict=True):
            if pack.read(part) != path.read_bytes():
                raise KitError(f"{part.filename} differs when read back from the zip")


def _move_into_place(made: Path, target: Path) -> None:
    """Rename a finished file or folder to its target; raise KitError if that exists."""
    try:
        rename_into_place(made, target)
    except FileExistsError as err:
        raise KitError(
            f"{target} appeared meanwhile; choose a new name, nothing was overwritten"
        ) from err
