"""The kit's folder: built beside its place, read back, then renamed; all of it or nothing."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from catalog.audio.bext import broadcast_wave
from catalog.audio.model import Audio
from catalog.errors import KitError
from catalog.kit.export import write as files
from catalog.kit.export.audio import encode_stroke, read_back, stroke_reader
from catalog.kit.export.documents import Row, manifest_row, one_line, write_papers
from catalog.kit.export.options import ExportOptions
from catalog.kit.export.plan import SlotPlan, kit_warnings, plan_export, zip_beside
from catalog.kit.levels import Levels, match_levels, tuned
from catalog.kit.model import Kit
from catalog.kit.phrase import phrase_for, phrase_midi, render_phrase
from catalog.models import Hit


def export_kit(
    kit: Kit,
    hits: Mapping[int, Hit],
    folder: str | Path,
    *,
    read: Callable[[Hit], Audio],
    options: ExportOptions | None = None,
    subtype: str | None = None,
) -> list[Path]:
    """Write a kit as a folder of audio with an SFZ file, key map, manifest and letter.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit, at least those of the kit
    folder : str or Path, the folder to make; it must not exist yet
    read : callable, gives the decoded stroke of a hit
    options : ExportOptions, optional
    subtype : str, optional, in place of that of the options

    Returns
    -------
    list of Path
        every file written, sorted; the zip, if asked for, is the last

    Raises
    ------
    KitError
        if the folder exists, the kit is empty or names an unknown hit, a hit cannot be read, the
        disk is full, or what was written does not read back as it should; nothing is left then
    """
    folder = Path(folder).absolute()
    options = options or ExportOptions()
    options = options if subtype is None else replace(options, subtype=subtype)
    packed = zip_beside(folder) if options.as_zip else None
    for place in (folder, packed):
        if place is not None and os.path.lexists(place):
            raise KitError(f"{place} exists already; choose a new name, nothing was overwritten")
    plan_export(kit, hits)  # refuses what cannot be written before anything is made
    building = _make_beside(folder)
    try:
        made, made_zip = building / "folder", building / "packed"
        made.mkdir()
        _build(_Job(kit, hits, made, stroke_reader(read), options, folder.name))
        if packed is not None:
            files.pack_zip(made, made_zip, name=folder.name)
            files.move_into_place(made_zip, packed)
        _place_folder(made, folder, packed)
    except OSError as err:
        raise KitError(
            f"{folder.name} could not be written ({err.strerror}); nothing is left of it"
        ) from err
    finally:
        shutil.rmtree(building, ignore_errors=True)
    written = sorted(path for path in folder.rglob("*") if path.is_file())
    return written + ([packed] if packed is not None else [])


def _make_beside(folder: Path) -> Path:
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        return Path(tempfile.mkdtemp(prefix=f".{folder.name[:40]}.unfinished-", dir=folder.parent))
    except OSError as err:
        raise KitError(f"{folder.parent} cannot be written ({err.strerror})") from err


def _place_folder(made: Path, folder: Path, packed: Path | None) -> None:
    """Rename the folder; should that fail, its zip goes too."""
    try:
        files.move_into_place(made, folder)
    except BaseException:
        if packed is not None:
            packed.unlink(missing_ok=True)
        raise


@dataclass(frozen=True)
class _Job:
    kit: Kit
    hits: Mapping[int, Hit]
    place: Path
    read: Callable[[Hit], Audio]
    options: ExportOptions
    folder_name: str


def _build(job: _Job) -> None:
    """Write every file below the place of the job."""
    kit, options = job.kit, job.options
    title = one_line(kit.name if kit.name not in ("", "kit") else job.folder_name)
    plans = plan_export(kit, job.hits, suffix=options.suffix)
    levels = match_levels(kit, job.hits, read=job.read)
    rows = [row for plan in plans for row in _write_slot(job, plan, levels)]
    _write_phrase(job, plans, levels, sr=max(row.sr for row in rows))
    papers = write_papers(
        plans, rows, levels, title=title, warnings=kit_warnings(kit, job.hits), options=options
    )
    for name, text in papers.items():
        files.write_checked(job.place / name, text.encode("utf-8", errors="replace"))


def _write_slot(job: _Job, plan: SlotPlan, levels: Levels) -> list[Row]:
    gain_db = levels.gain_db[plan.slot]
    semitones = job.kit.tuning_semitones.get(plan.slot, 0.0)
    rows = []
    for region in plan.regions:
        audio = tuned(job.read(region.hit), semitones, to_sr=job.options.sr)
        written = _write_audio(
            job, region.file, audio, gain_db=gain_db, semitones=semitones, hit=region.hit
        )
        rows.append(
            manifest_row(plan, region, gain_db=gain_db, semitones=semitones, written=written)
        )
    return rows


def _write_audio(
    job: _Job,
    name: str,
    audio: Audio,
    *,
    gain_db: float,
    semitones: float = 0.0,
    hit: Hit | None = None,
) -> dict[str, float | int | str]:
    path, data = job.place / name, encode_stroke(audio, gain_db=gain_db, options=job.options)
    if hit is not None and job.options.container == "WAV":
        tuning = f"; {semitones:+.1f} semitones" if semitones else ""
        data = broadcast_wave(
            data, hit, sr=audio.sr, subtype=job.options.subtype,
            n_channels=audio.samples.shape[1], text=f"kit; {gain_db:+.1f} dB{tuning}",
        )  # fmt: skip
    files.write_checked(path, data)
    return read_back(path, audio, gain_db=gain_db, options=job.options)


def _write_phrase(job: _Job, plans: tuple[SlotPlan, ...], levels: Levels, *, sr: int) -> None:
    events = phrase_for([plan.slot for plan in plans])
    wave = render_phrase(
        job.kit, job.hits, events, gain_db=levels.gain_db, read=job.read, sr=job.options.sr or sr
    )
    sound = Audio(wave, job.options.sr or sr, job.options.container, job.options.subtype)
    _write_audio(job, f"phrase{job.options.suffix}", sound, gain_db=0.0)
    files.write_checked(job.place / "phrase.mid", phrase_midi(events))


ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the earliest the format knows: equal kits give equal bytes


def write_checked(path: Path, data: bytes) -> None:
    """Write a new file down to the disk and read it again.

    Raises
    ------
    KitError
        if other bytes come back
    """
    write_synced(path, data)
    if path.read_bytes() != data:
        raise KitError(f"{path.name} did not read back")


def write_synced(path: Path, data: bytes) -> None:
    """Write a new file and wait until the disk has it."""
    path.parent.mkdir(exist_ok=True)
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def pack_zip(folder: Path, target: Path, *, name: str) -> None:
    """Pack a finished folder into one zip, and read every part of it again.

    Parameters
    ----------
    folder : Path
    target : Path, the new file
    name : str, of the folder within the zip

    Raises
    ------
    KitError
        if a part does not come back as it was
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


def move_into_place(made: Path, place: Path) -> None:
    """Rename what is finished; what appeared at its place meanwhile is not touched.

    Raises
    ------
    KitError
        if something is there
    """
    for path in (made, *made.rglob("*")) if made.is_dir() else ():
        if path.is_dir():
            _sync_folder(path)
    if os.path.lexists(place):
        raise KitError(f"{place} appeared meanwhile; choose a new name, nothing was overwritten")
    os.rename(made, place)
    _sync_folder(place.parent)


def _sync_folder(path: Path) -> None:
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
