"""What an export will write: one record for each file, decided before anything is written."""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from pathlib import Path

from catalog.audio.model import Audio
from catalog.errors import KitError
from catalog.kit.dynamics import StrokeCurve, layer_warnings, stroke_curves
from catalog.kit.export.microphones import MicrophoneExport
from catalog.kit.export.options import ExportOptions
from catalog.kit.layers import Layer, layers_of
from catalog.kit.levels import Levels, balance_levels
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS, assign_notes, find_slot
from catalog.kit.strokes import StrokeReader
from catalog.models import UNSURE_CONFIDENCE, Hit, RoleSource
from catalog.wording import percent, plain_slot

README = "README.txt"
# The other files, each with its line of the README; "phrase" has the suffix of the audio.
DOCUMENTS: Mapping[str, str] = {
    "kit.sfz": "load this in a sampler that reads SFZ",
    "phrase": "two bars played on the kit",
    "phrase.mid": "the same two bars for your own player",
    "notes.csv": "which key plays what ({keys})",
    "velocities.svg": "the level of each slot by velocity; open it in a browser",
    "manifest.csv": "where each hit came from and what was done to it",
    "manifest.json": "the same for programs",
}
HEADER_BYTES = 1_000  # of an audio file, at most
SAMPLE_BYTES: Mapping[str, int] = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4}


@dataclass(frozen=True)
class PlannedFile:
    """One audio file of an export."""

    file: str  # path within the folder, "/" between its parts
    slot: str
    notes: tuple[int, ...]  # MIDI keys that play it
    layer: int  # counted from 1, as `robin` is
    robin: int
    n_robins: int
    lowest: int  # velocity
    highest: int
    hit_id: int
    source: Path  # the recording
    gain_db: float | None  # None while the levels cannot be measured
    tuning_semitones: float
    sr: int  # Hz
    n_bytes: int  # at most
    part: Hit | None = None  # the microphone that this file holds, of an export with all


@dataclass(frozen=True)
class ExportPlan:
    """An export before it is written."""

    folder: Path  # absolute
    zip_file: Path | None
    title: str  # of the kit, without line breaks
    kit: Kit
    options: ExportOptions
    audio: tuple[PlannedFile, ...]  # in the order of the keys, layers and round robins
    documents: tuple[str, ...]  # the other files of the folder
    curves: Mapping[tuple[str, int], StrokeCurve]  # gain by velocity, by slot and hit id
    gain_db: Mapping[str, float]  # by slot; empty while the levels cannot be measured
    chord_dbtp: float  # see `Levels`
    level_notes: tuple[str, ...]  # changes of level
    warnings: tuple[str, ...]  # what to check; the kit can be written all the same
    refusals: tuple[str, ...]  # why it would not be written; empty if it would
    n_bytes: int  # at most, with the zip
    mixes: Mapping[int, str] = field(default_factory=dict)  # how microphones were mixed, by hit id

    def by_slot(self) -> Iterator[tuple[str, tuple[PlannedFile, ...]]]:
        """Yield each slot with its audio files, in the order of the keys."""
        for slot, files in groupby(self.audio, key=lambda file: file.slot):
            yield slot, tuple(files)


def plan_export(
    kit: Kit,
    hits: Mapping[int, Hit],
    folder: str | Path,
    *,
    read: Callable[[Hit], Audio],
    options: ExportOptions | None = None,
    check_space: bool = True,
    microphones: MicrophoneExport | None = None,
) -> ExportPlan:
    """Decide what an export writes; recordings are decoded, nothing is written.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit, at least those of the kit
    folder : str or Path
    read : callable, decodes the stroke of a hit
    options : ExportOptions, optional
    check_space : bool
        refuse if less than `n_bytes`, an upper bound, is free on the disk
    microphones : MicrophoneExport, optional, made from the same `hits` and `read`

    Raises
    ------
    KitError
        if the kit is empty, a slot is unknown or a hit is not in `hits`
    """
    options, folder = options or ExportOptions(), Path(folder).absolute()
    parts = microphones.parts if microphones is not None else {}
    strokes = microphones.strokes if microphones is not None and microphones.strokes else hits
    layers = _layers_by_slot(kit, hits)
    zip_file = folder.with_name(f"{folder.name}.zip") if options.as_zip else None
    existing = _existing(folder, zip_file)
    notes = assign_notes(tuple(layers), options.notes)
    levels, unreadable = _measure_levels(kit, hits, read=read)
    audio = tuple(
        file
        for slot, keys in sorted(notes.items(), key=lambda item: item[1])
        for planned in _plan_slot(
            kit, slot, layers[slot], notes=keys, levels=levels, options=options
        )
        for file in _split_parts(planned, parts.get(planned.hit_id, ()), options)
    )
    n_bytes = sum(file.n_bytes for file in audio) * (2 if options.as_zip else 1)
    return ExportPlan(
        folder=folder,
        zip_file=zip_file,
        title=one_line(kit.name if kit.name not in ("", "kit") else folder.name),
        kit=kit,
        options=options,
        audio=audio,
        documents=tuple(sorted((README, *document_lines(options)))),
        curves={
            (slot, hit.id): curve
            for slot, own in layers.items()
            for hit, curve in stroke_curves(own)
        },
        gain_db=levels.gain_db,
        chord_dbtp=levels.chord_dbtp,
        level_notes=levels.notes,
        warnings=(*kit_warnings(kit, strokes), *(microphones.warnings if microphones else ())),
        refusals=(
            *existing, *unreadable, *_disk_refusals(folder, n_bytes if check_space else 0),
        ),
        n_bytes=n_bytes,
        mixes=microphones.mixes if microphones is not None else {},
    )  # fmt: skip


def document_lines(options: ExportOptions) -> dict[str, str]:
    """Return the line of the README for each file beside the audio, by the name of the file."""
    return {
        f"phrase{options.suffix}" if name == "phrase" else name: line.format(keys=options.keys)
        for name, line in DOCUMENTS.items()
    }


def _split_parts(
    file: PlannedFile, parts: Sequence[Hit], options: ExportOptions
) -> Iterator[PlannedFile]:
    """Plan a file for each microphone of a stroke, or the file itself if `parts` is empty."""
    if not parts:
        yield file
    for number, part in enumerate(parts, start=1):
        word = "".join(c if c.isalnum() else "-" for c in part.microphone.casefold())
        stem = file.file.removesuffix(options.suffix)
        sr = options.sr or part.sr
        semitones, subtype = file.tuning_semitones, options.subtype
        yield replace(
            file, file=f"{stem}_{number}-{word or 'mic'}{options.suffix}", source=part.path,
            part=part, sr=sr,
            n_bytes=_audio_bytes(part, sr=sr, semitones=semitones, subtype=subtype),
        )  # fmt: skip


def one_line(text: str) -> str:
    """Return text without line breaks and control characters, so that it cannot end a comment."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _layers_by_slot(kit: Kit, hits: Mapping[int, Hit]) -> dict[str, tuple[Layer, ...]]:
    filled = {slot: ids for slot, ids in kit.slots.items() if ids}
    if not filled:
        raise KitError("the kit is empty: fill at least one slot")
    for slot in filled:
        find_slot(slot)  # raises for an unknown slot
    for slot, ids in filled.items():
        for hit_id in ids:
            if hit_id not in hits:
                raise KitError(f"hit {hit_id} of slot {slot} is not in the catalog", slot=slot)
    return {slot: layers_of(kit, slot, hits) for slot in filled}


def _measure_levels(
    kit: Kit, hits: Mapping[int, Hit], *, read: Callable[[Hit], Audio]
) -> tuple[Levels, tuple[str, ...]]:
    """Levels of the kit, or none and the reason why a recording cannot be read."""
    try:
        return balance_levels(kit, hits, read=StrokeReader.of(read)), ()
    except KitError as err:
        return Levels({}, -math.inf, ()), (str(err),)


def _plan_slot(
    kit: Kit,
    slot: str,
    layers: tuple[Layer, ...],
    *,
    notes: tuple[int, ...],
    levels: Levels,
    options: ExportOptions,
) -> Iterator[PlannedFile]:
    """Name the files of a slot so that they sort by key, layer and round robin."""
    semitones = kit.tuning_semitones.get(slot, 0.0)
    for number, layer in enumerate(layers, start=1):
        for robin, hit in enumerate(layer.hits, start=1):
            stem = f"{notes[0]:03d}_{slot}_layer{number:02d}_rr{robin}"
            sr = options.sr or hit.sr
            yield PlannedFile(
                file=f"hits/{stem}{options.suffix}", slot=slot, notes=notes, layer=number,
                robin=robin, n_robins=len(layer.hits), lowest=layer.lowest, highest=layer.highest,
                hit_id=hit.id, source=hit.path, gain_db=levels.gain_db.get(slot),
                tuning_semitones=semitones, sr=sr,
                n_bytes=_audio_bytes(hit, sr=sr, semitones=semitones, subtype=options.subtype),
            )  # fmt: skip


def _audio_bytes(hit: Hit, *, sr: int, semitones: float, subtype: str) -> int:
    n_frames = (hit.stop - hit.start) * sr / hit.sr / 2.0 ** (semitones / 12.0)
    n_channels = hit.n_channels if hit.n_channels < 3 else 1
    return round(n_frames) * n_channels * SAMPLE_BYTES[subtype] + HEADER_BYTES


def _existing(*targets: Path | None) -> list[str]:
    return [
        f"{target} exists already; choose a new name"
        for target in targets
        if target is not None and os.path.lexists(target)
    ]


def _disk_refusals(folder: Path, n_bytes: int) -> list[str]:
    """Check that the nearest existing parent folder can be written and has enough free space."""
    parent = next(p for p in (*folder.parents, folder) if os.path.lexists(p))
    if not parent.is_dir() or not os.access(parent, os.W_OK | os.X_OK):
        return [f"{parent} cannot be written"]
    free = shutil.disk_usage(parent).free
    if free < n_bytes:
        return [f"{parent} has {free / 1e6:.0f} MB free, the kit needs {n_bytes / 1e6:.0f} MB"]
    return []


def kit_warnings(kit: Kit, hits: Mapping[int, Hit]) -> tuple[str, ...]:
    """List where a kit may differ from what its user expects.

    Returns
    -------
    tuple of str, each beginning with its slot
    """
    lines: list[str] = []
    for slot, ids in kit.slots.items():
        strokes = [hits[i] for i in dict.fromkeys(ids) if i in hits]
        if not strokes:
            continue
        main, roles = strokes[0], SLOTS[slot].roles
        lines += _role_warnings(slot, main, is_locked=slot in kit.locked)
        n_other = sum(hit.role not in roles for hit in strokes[1:])
        if n_other and main.role in roles:
            lines.append(f"{slot}: {n_other} of its further strokes have another role")
        lines += [f"{slot}: {line}" for line in layer_warnings(layers_of(kit, slot, hits))]
    return tuple(lines)


def _role_warnings(slot: str, hit: Hit, *, is_locked: bool) -> list[str]:
    wanted, role = plain_slot(SLOTS[slot].roles[0]), plain_slot(hit.role)
    if hit.role not in SLOTS[slot].roles:
        evidence = {RoleSource.USER: "by your word", RoleSource.NAME: "by its name"}.get(
            hit.role_source, f"by its sound, {percent(hit.role_confidence)} sure"
        )
        chosen = "the locked hit" if is_locked else "its hit"
        return [f"{slot}: {chosen} {hit.name} is a {role} {evidence}, not a {wanted}"]
    if hit.role_confidence < UNSURE_CONFIDENCE:
        return [
            f"{slot}: the role {role} of {hit.name} is an estimate ({percent(hit.role_confidence)})"
        ]
    return []
