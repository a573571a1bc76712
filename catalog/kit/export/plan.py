"""What an export will write: one row for each file, decided before anything touches the disk."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from catalog.audio.model import Audio
from catalog.errors import KitError
from catalog.kit.export.audio import stroke_reader
from catalog.kit.export.options import ExportOptions
from catalog.kit.fill.explain import UNSURE
from catalog.kit.layers import Layer, layer_warnings, layers_of, velocity_curve
from catalog.kit.levels import match_levels
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS, assign_notes
from catalog.models import Hit, RoleSource


def zip_beside(folder: Path) -> Path:
    """Where the zip of a folder lies: beside it, under its name."""
    return folder.with_name(f"{folder.name}.zip")


PAPERS = ("README.txt", "kit.sfz", "manifest.csv", "manifest.json", "notes.csv", "phrase.mid")


@dataclass(frozen=True)
class Region:
    """One file of the kit.

    Attributes
    ----------
    file : str, path within the folder, "/" between its parts
    hit : Hit
    layer, robin, n_robins : int, counted from 1
    lowest, highest : int, velocities
    """

    file: str
    hit: Hit
    layer: int
    robin: int
    n_robins: int
    lowest: int
    highest: int


@dataclass(frozen=True)
class SlotPlan:
    """One slot: keys, choke group, what velocity still turns in the weakest layer, and files."""

    slot: str
    notes: tuple[int, ...]
    choke: int
    curve: Mapping[int, float]
    regions: tuple[Region, ...]


def plan_export(kit: Kit, hits: Mapping[int, Hit], *, suffix: str = ".wav") -> tuple[SlotPlan, ...]:
    """Cut the layers of each slot and name the files.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit
    suffix : str, ending of the audio files

    Returns
    -------
    tuple of SlotPlan, in the order of the keys

    Raises
    ------
    KitError
        if the kit is empty, a slot is unknown, or a hit is not there
    """
    filled = {slot: ids for slot, ids in kit.slots.items() if ids}
    if not filled:
        raise KitError("the kit is empty: fill at least one slot")
    notes = assign_notes(tuple(filled))
    plans = []
    for slot, ids in filled.items():
        missing = [i for i in ids if i not in hits]
        if missing:
            raise KitError(f"hit {missing[0]} of slot {slot} is not in the catalog", slot=slot)
        layers = layers_of(kit, slot, hits)
        regions = _name_regions(f"{notes[slot][0]:03d}_{slot}", layers, suffix)
        plans.append(
            SlotPlan(slot, notes[slot], SLOTS[slot].choke, velocity_curve(layers), regions)
        )
    return tuple(sorted(plans, key=lambda plan: plan.notes))


def _name_regions(stem: str, layers: tuple[Layer, ...], suffix: str) -> tuple[Region, ...]:
    """Names that sort by key, layer and round robin and hold nothing of the source's name."""
    return tuple(
        Region(
            f"hits/{stem}_layer{number:02d}_rr{robin}{suffix}",
            hit, number, robin, len(layer.hits), layer.lowest, layer.highest,
        )
        for number, layer in enumerate(layers, start=1)
        for robin, hit in enumerate(layer.hits, start=1)
    )  # fmt: skip


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


def kit_warnings(kit: Kit, hits: Mapping[int, Hit]) -> tuple[str, ...]:
    """Say where a kit may not be what it is meant to be.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit, at least those of the kit

    Returns
    -------
    tuple of str, each beginning with its slot
    """
    lines: list[str] = []
    for slot, ids in kit.slots.items():
        known = [hits[i] for i in dict.fromkeys(ids) if i in hits]
        lines += [line for hit in known[:1] for line in _role(slot, hit, slot in kit.locked)]
        others = [hit for hit in known[1:] if hit.role not in SLOTS[slot].roles]
        if others and known[0].role in SLOTS[slot].roles:
            lines.append(f"{slot}: {len(others)} of its further strokes have another role")
        if known:
            lines += [f"{slot}: {line}" for line in layer_warnings(layers_of(kit, slot, hits))]
    return tuple(lines)


def _role(slot: str, hit: Hit, locked: bool) -> list[str]:
    wanted, role = SLOTS[slot].roles[0], hit.role.replace("_", " ")
    chosen = "the locked hit" if locked else "its hit"
    if hit.role not in SLOTS[slot].roles:
        sure = {RoleSource.USER: "by your word", RoleSource.NAME: "by its name"}.get(
            hit.role_source, f"by its sound, {hit.role_confidence:.0%} sure"
        )
        return [f"{slot}: {chosen} {hit.name} is a {role} {sure}, not a {wanted.replace('_', ' ')}"]
    if hit.role_confidence < UNSURE:
        return [f"{slot}: that {hit.name} is a {role} is a guess ({hit.role_confidence:.0%})"]
    return []
