"""Write an export plan beside its target, verify it, then rename it into place."""

from __future__ import annotations

import hashlib
import os
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path

from catalog.audio.bext import add_hit_bext
from catalog.audio.model import Audio
from catalog.errors import KitError
from catalog.kit.export.audio import WrittenAudio, encode_stroke, verify_stroke
from catalog.kit.export.documents import ManifestRow, make_documents, manifest_row
from catalog.kit.export.options import ExportOptions
from catalog.kit.export.plan import ExportPlan, PlannedFile, plan_export
from catalog.kit.levels import tune_stroke
from catalog.kit.model import Kit
from catalog.kit.phrase import phrase_midi, render_phrase, select_phrase
from catalog.kit.strokes import StrokeReader
from catalog.library.files.atomic import rename_into_place, staging_folder, write_synced
from catalog.models import Hit

ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the earliest of the format, so that equal kits give equal bytes


def export_kit(
    kit: Kit,
    hits: Mapping[int, Hit],
    folder: str | Path,
    *,
    read: Callable[[Hit], Audio],
    options: ExportOptions | None = None,
) -> list[Path]:
    """Plan an export and write it; each stroke is decoded once.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit, at least those of the kit
    folder : str or Path, the folder to make; it must not exist yet
    read : callable, decodes the stroke of a hit
    options : ExportOptions, optional

    Returns
    -------
    list of Path, as `write_export`

    Raises
    ------
    KitError
        as `plan_export` and `write_export`
    """
    strokes = StrokeReader.of(read)
    plan = plan_export(kit, hits, folder, read=strokes, options=options, check_space=False)
    return write_export(plan, hits, read=strokes)


def write_export(
    plan: ExportPlan, hits: Mapping[int, Hit], *, read: Callable[[Hit], Audio]
) -> list[Path]:
    """Write a kit as a folder of audio with an SFZ file, key map, manifest and README.

    Returns
    -------
    list of Path
        every file written, sorted; the zip, if planned, is the last

    Raises
    ------
    KitError
        if the plan has refusals, a hit cannot be read, the disk is full, or a written file does
        not read back; nothing is left then
    """
    if plan.refusals:
        raise KitError(f"{plan.refusals[0]}; nothing was written")
    folder, zip_file = plan.folder, plan.zip_file
    try:
        with staging_folder(folder) as staging:
            made, made_zip = staging / "folder", staging / "packed"
            made.mkdir()
            _write_files(plan, made, hits, read=StrokeReader.of(read))
            if zip_file is not None:
                pack_zip(made, made_zip, name=folder.name)
                move_into_place(made_zip, zip_file)
            _place_folder(made, folder, zip_file)
    except OSError as err:
        raise KitError(
            f"{folder.name} could not be written ({err.strerror}); nothing is left of it"
        ) from err
    written = sorted(path for path in folder.rglob("*") if path.is_file())
    return written + ([zip_file] if zip_file is not None else [])


def _place_folder(made: Path, folder: Path, zip_file: Path | None) -> None:
    """Rename the folder into place; if that fails, remove its zip as well."""
    try:
        move_into_place(made, folder)
    except BaseException:
        if zip_file is not None:
            zip_file.unlink(missing_ok=True)
        raise


def _write_files(
    plan: ExportPlan, target: Path, hits: Mapping[int, Hit], *, read: StrokeReader
) -> None:
    """Write every file of the plan below `target`."""
    rows = [
        _write_stroke(plan, target, file, hit=hits[file.hit_id], read=read) for file in plan.audio
    ]
    _write_phrase(plan, target, hits, read=read, sr=plan.options.sr or max(row.sr for row in rows))
    for name, text in make_documents(plan, rows, hits).items():
        write_checked(target / name, text.encode("utf-8", errors="replace"))


def _write_stroke(
    plan: ExportPlan, target: Path, file: PlannedFile, *, hit: Hit, read: StrokeReader
) -> ManifestRow:
    semitones, gain_db, options = file.tuning_semitones, file.gain_db or 0.0, plan.options
    audio = tune_stroke(read(hit), semitones, to_sr=options.sr)
    data = encode_stroke(audio, gain_db=gain_db, options=options)
    if options.container == "WAV":
        tuning = f"; {semitones:+.1f} semitones" if semitones else ""
        data = add_hit_bext(
            data, hit, sr=audio.sr, subtype=options.subtype,
            n_channels=audio.samples.shape[1], text=f"kit; {gain_db:+.1f} dB{tuning}",
        )  # fmt: skip
    written = _write_audio(target / file.file, data, audio, gain_db=gain_db, options=options)
    return manifest_row(file, hit, written)


def _write_audio(
    path: Path, data: bytes, audio: Audio, *, gain_db: float, options: ExportOptions
) -> WrittenAudio:
    write_checked(path, data)
    return verify_stroke(path, audio, gain_db=gain_db, options=options)


def _write_phrase(
    plan: ExportPlan, target: Path, hits: Mapping[int, Hit], *, read: StrokeReader, sr: int
) -> None:
    phrase, options = select_phrase("two bars", tuple(plan.gain_db)), plan.options
    samples = render_phrase(plan.kit, hits, phrase, gain_db=plan.gain_db, read=read, sr=sr)
    audio = Audio(samples, sr, options.container, options.subtype)
    data = encode_stroke(audio, gain_db=0.0, options=options)
    path = target / f"phrase{options.suffix}"
    _write_audio(path, data, audio, gain_db=0.0, options=options)
    write_checked(target / "phrase.mid", phrase_midi(phrase.events))


def write_checked(path: Path, data: bytes) -> None:
    """Write a new file to the disk and compare it with what it should hold.

    Raises
    ------
    KitError
        if it does not read back byte for byte
    """
    write_synced(path, data)
    if path.read_bytes() != data:
        raise KitError(f"{path.name} did not read back")


def pack_zip(folder: Path, target: Path, *, name: str) -> None:
    """Pack a finished folder into one zip and verify each of its parts.

    Parameters
    ----------
    folder : Path
    target : Path, the new file
    name : str, of the folder within the zip

    Raises
    ------
    KitError
        if a part does not read back
    """
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
            if _digest(pack.read(part)) != _digest(path.read_bytes()):
                raise KitError(f"{part.filename} did not read back from the zip")


def _digest(data: bytes) -> bytes:
    return hashlib.sha256(data).digest()


def move_into_place(made: Path, target: Path) -> None:
    """Rename a finished file or folder to its target, never over an existing one.

    Raises
    ------
    KitError
        if the target exists
    """
    try:
        rename_into_place(made, target)
    except FileExistsError as err:
        raise KitError(
            f"{target} appeared meanwhile; choose a new name, nothing was overwritten"
        ) from err
