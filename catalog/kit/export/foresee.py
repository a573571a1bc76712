"""What a hand-over would write and where, before anything is written."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from catalog.errors import KitError
from catalog.kit.assemble import Kit
from catalog.kit.export.audio import stroke_reader
from catalog.kit.export.folder import zip_beside
from catalog.kit.export.options import ExportOptions
from catalog.kit.export.papers import PAPERS
from catalog.kit.export.plan import Region, SlotPlan, plan_export
from catalog.kit.export.warn import kit_warnings
from catalog.kit.levels import match_levels
from catalog.library.records import Hit
from catalog.sound.decode import Audio

HEADER_BYTES = 1_000  # of an audio file, at most
BYTES = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4}  # of a sample


@dataclass(frozen=True)
class PlannedFile:
    """One audio file that would be written.

    Attributes
    ----------
    file : str, path within the folder
    slot : str
    notes : tuple of int, MIDI keys that play it
    layer, robin, n_robins : int, counted from 1
    lowest, highest : int, velocities
    hit_id : int
    source : Path, the recording
    gain_db : float or None where it cannot be told
    tuning_semitones : float
    sr : int, Hz
    n_bytes : int, at most
    """

    file: str
    slot: str
    notes: tuple[int, ...]
    layer: int
    robin: int
    n_robins: int
    lowest: int
    highest: int
    hit_id: int
    source: Path
    gain_db: float | None
    tuning_semitones: float
    sr: int
    n_bytes: int


@dataclass(frozen=True)
class ExportPlan:
    """A hand-over that has not happened.

    Attributes
    ----------
    folder : Path, absolute
    zip_file : Path or None
    options : ExportOptions
    audio : tuple of PlannedFile, in the order of the keys
    papers : tuple of str, the other files of the folder
    gain_db : mapping of slot to dB
    level_notes : tuple of str, what is changed in level
    warnings : tuple of str, what to look at; the kit can be written all the same
    refusals : tuple of str, why it would not be written; empty if it would
    n_bytes : int, at most, with the zip
    """

    folder: Path
    zip_file: Path | None
    options: ExportOptions
    audio: tuple[PlannedFile, ...]
    papers: tuple[str, ...]
    gain_db: Mapping[str, float] = field(default_factory=dict)
    level_notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    refusals: tuple[str, ...] = ()
    n_bytes: int = 0


def foresee_export(
    kit: Kit,
    hits: Mapping[int, Hit],
    folder: str | Path,
    *,
    read: Callable[[Hit], Audio],
    options: ExportOptions | None = None,
) -> ExportPlan:
    """Say what `export_kit` would write; recordings are read, nothing is written.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit, at least those of the kit
    folder : str or Path
    read : callable, gives the decoded stroke of a hit
    options : ExportOptions, optional

    Returns
    -------
    ExportPlan

    Raises
    ------
    KitError
        if the kit is empty, a slot is unknown or a hit is not there
    """
    options, folder = options or ExportOptions(), Path(folder).absolute()
    plans = plan_export(kit, hits, suffix=options.suffix)
    packed = zip_beside(folder) if options.as_zip else None
    refusals = [
        f"{place} exists already; choose a new name"
        for place in (folder, packed)
        if place is not None and os.path.lexists(place)
    ]
    gains: dict[str, float] = {}
    notes: tuple[str, ...] = ()
    try:
        levels = match_levels(kit, hits, read=stroke_reader(read))
        gains, notes = levels.gain_db, levels.notes
    except KitError as err:
        refusals.append(str(err))
    audio = tuple(_planned(kit, p, r, gains, options) for p in plans for r in p.regions)
    n_bytes = sum(file.n_bytes for file in audio) * (2 if options.as_zip else 1)
    refusals += _refused_by_disk(folder, n_bytes)
    return ExportPlan(
        folder, packed, options, audio, tuple(sorted((*PAPERS, f"phrase{options.suffix}"))),
        gains, notes, kit_warnings(kit, hits), tuple(refusals), n_bytes,
    )  # fmt: skip


def _planned(
    kit: Kit, plan: SlotPlan, region: Region, gains: Mapping[str, float], options: ExportOptions
) -> PlannedFile:
    hit, semitones = region.hit, kit.tuning_semitones.get(plan.slot, 0.0)
    sr = options.sr or hit.sr
    n_frames = (hit.stop - hit.start) * sr / hit.sr / 2.0 ** (semitones / 12.0)
    n_channels = hit.n_channels if hit.n_channels < 3 else 1
    return PlannedFile(
        file=region.file, slot=plan.slot, notes=plan.notes, layer=region.layer, robin=region.robin,
        n_robins=region.n_robins, lowest=region.lowest, highest=region.highest, hit_id=hit.id,
        source=hit.path, gain_db=gains.get(plan.slot), tuning_semitones=semitones, sr=sr,
        n_bytes=round(n_frames) * n_channels * BYTES[options.subtype] + HEADER_BYTES,
    )  # fmt: skip


def _refused_by_disk(folder: Path, n_bytes: int) -> list[str]:
    """Whether the nearest folder that exists can be written and has room."""
    there = next(path for path in folder.parents if os.path.lexists(path))
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        return [f"{there} cannot be written"]
    free = shutil.disk_usage(there).free
    if free < n_bytes:
        return [f"{there} has room for {free / 1e6:.0f} MB, the kit needs {n_bytes / 1e6:.0f} MB"]
    return []
