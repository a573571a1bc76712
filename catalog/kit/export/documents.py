"""The text files of an exported kit: key map, manifest, README, and the SFZ of `sfz.py`."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from catalog.audio.model import Audio
from catalog.kit.export.options import ExportOptions
from catalog.kit.export.plan import README, ExportPlan, PlannedFile, document_lines
from catalog.kit.export.sfz import CONTROL_DB, microphone_controls, sfz_text
from catalog.kit.export.velocity_plot import velocity_plot
from catalog.kit.fill.explain import explain_sessions
from catalog.kit.slots import SLOTS, gm_name
from catalog.library.metadata.filename import ORIGIN
from catalog.models import Hit

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would evaluate such a cell
MOST_MIXES = 8  # listed in the README; the manifest holds all of them
MANIFEST_VERSION = 1


def manifest_row(file: PlannedFile, hit: Hit, written: Audio, *, sha256: str) -> dict[str, Any]:
    """Describe one audio file of the folder and its source, in the columns of the manifest.

    Parameters
    ----------
    file : PlannedFile
    hit : Hit
    written : Audio, as it was read back
    sha256 : str, of the whole file
    """
    peak = float(np.abs(written.samples).max())
    origin = (f"{key}={hit.origin[key]}" for key in sorted(hit.origin) if key in ORIGIN)
    return {
        "file": file.file, "sha256": sha256, "slot": file.slot,
        "notes": " ".join(map(str, file.notes)), "layer": file.layer, "round_robin": file.robin,
        "lowest_velocity": file.lowest, "highest_velocity": file.highest,
        "gain_db": round(file.gain_db or 0.0, 3),
        "tuning_semitones": round(file.tuning_semitones, 3), "sr": written.sr,
        "n_channels": written.samples.shape[1], "n_frames": len(written.samples),
        "peak_dbfs": round(20.0 * math.log10(peak), 2) if peak > 0 else None,
        "source_file": str(hit.path), "source_start_frame": hit.start,
        "source_stop_frame": hit.stop,
        "source_right_file": str(hit.mate or ""),  # of a stereo hit in two files
        "source_sha256": hit.content_hash,  # of both, one after the other
        "session": hit.session, "drum": hit.drum, "microphone": hit.microphone,
        "source_channels": " ".join(map(str, hit.channels)), "take": hit.take,
        "origin": "; ".join(origin), "role": hit.role,
        "role_confidence": round(hit.role_confidence, 3),
    }  # fmt: skip


def make_documents(
    plan: ExportPlan,
    rows: Sequence[Mapping[str, Any]],
    hits: Mapping[int, Hit],
    *,
    phrase_sha256: str,
) -> dict[str, str]:
    """Write every text file of the folder, by name; `rows` describe the files of the strokes."""
    return {
        "kit.sfz": sfz_text(plan),
        "notes.csv": notes_csv(plan),
        "manifest.csv": csv_text(rows),
        "manifest.json": manifest_json(plan, rows, phrase_sha256=phrase_sha256),
        "velocities.svg": velocity_plot(plan, hits),
        README: readme_text(plan, rows, hits),
    }


def manifest_json(
    plan: ExportPlan, rows: Sequence[Mapping[str, Any]], *, phrase_sha256: str
) -> str:
    """Write the manifest for programs."""
    chord = plan.chord_dbtp
    parts = {
        "manifest_version": MANIFEST_VERSION,
        "kit": plan.title,
        "loudest_chord_dbtp": round(chord, 2) if math.isfinite(chord) else None,
        "level_notes": list(plan.level_notes),
        "warnings": list(plan.warnings),
        "phrase": {"file": f"phrase{plan.options.suffix}", "sha256": phrase_sha256},
        "files": rows,
    }
    return json.dumps(parts, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def notes_csv(plan: ExportPlan) -> str:
    """Write the key map: every key that plays a slot, with its General MIDI Level 1 name."""
    rows: list[dict[str, Any]] = [
        {
            "note": note,
            "general_midi_name": "" if slot in plan.options.notes else gm_name(note),
            "slot": slot,
            "choke_group": SLOTS[slot].choke or "",
            "fits": "second choice" if SLOTS[slot].second_choice else "yes",
        }
        for slot, files in plan.by_slot()
        for note in files[0].notes
    ]
    return csv_text(sorted(rows, key=lambda row: row["note"]))


def csv_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """Write rows as CSV for spreadsheets (RFC 4180), with formulas escaped."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(rows[0].keys())
    writer.writerows([escape_formula(cell) for cell in row.values()] for row in rows)
    return out.getvalue()


def escape_formula(cell: object) -> object:
    """Escape text that a spreadsheet would evaluate; keep numbers.

    Returns
    -------
    object
        text that begins like a formula gets an apostrophe before it, None becomes ""

    References
    ----------
    OWASP, "CSV Injection"; from memory.
    """
    if cell is None:
        return ""
    if isinstance(cell, str) and cell.lstrip(" ").startswith(FORMULA_STARTS):
        return "'" + cell
    return cell


def readme_text(
    plan: ExportPlan, rows: Sequence[Mapping[str, Any]], hits: Mapping[int, Hit]
) -> str:
    """Write the README for whoever receives the folder."""
    tuning = {row["slot"]: row["tuning_semitones"] for row in rows if row["tuning_semitones"]}
    return _README.format(
        title=plan.title,
        underline="=" * len(plan.title),
        strokes=_count_strokes(plan),
        sessions=explain_sessions(hits, tuple(file.hit_id for file in plan.audio)),
        format=_format_line(rows, plan.options),
        documents="\n".join(
            f"  {name:14s} {line}" for name, line in document_lines(plan.options).items()
        ),
        slots="\n".join(_slot_line(slot, files) for slot, files in plan.by_slot()),
        notes=_indented(plan.level_notes, empty="none"),
        microphones=_indented(_microphone_lines(plan), empty="one for each hit, see manifest.csv"),
        tuning=_indented(
            [f"{slot}: {by:+.1f} semitones, by speed" for slot, by in tuning.items()], empty="none"
        ),
        warnings=_indented(plan.warnings, empty="nothing"),
    )


def _count_strokes(plan: ExportPlan) -> str:
    """Return "12 recorded strokes", and the number of their files if there are more."""
    slots = [files for _, files in plan.by_slot()]
    n = sum(len({(file.layer, file.robin) for file in files}) for files in slots)
    n_files = sum(map(len, slots))
    words = f"{n} recorded stroke{'s' if n != 1 else ''}"
    return words if n_files == n else f"{words} in {n_files} files, one for each microphone"


def _microphone_lines(plan: ExportPlan) -> list[str]:
    controls = microphone_controls(plan)
    lines = [
        f"{name or 'without a name'}: MIDI controller {number} lowers its level, "
        f"by {-CONTROL_DB:.0f} dB at 127"
        for name, number in controls.items()
    ]
    mixes = sorted(set(plan.mixes.values()))
    if not lines and plan.options.microphone and not mixes:
        return [f"{plan.options.microphone} for all hits that have it"]
    return lines or [f"mixed: {text}" for text in mixes[:MOST_MIXES]]


def _slot_line(slot: str, files: Sequence[PlannedFile]) -> str:
    n, n_layers = len({(file.layer, file.robin) for file in files}), files[-1].layer
    return (
        f"  {files[0].notes[0]:3d}  {slot:12s} {n} stroke{'s' if n > 1 else ''} in {n_layers} "
        f"layer{'s' if n_layers > 1 else ''}"
    )


def _indented(lines: Sequence[str], *, empty: str) -> str:
    return "\n".join(f"  {line}" for line in lines or [empty])


def _format_line(rows: Sequence[Mapping[str, Any]], options: ExportOptions) -> str:
    rates = sorted({row["sr"] for row in rows})
    width = {"FLOAT": "32 bits floating", "PCM_16": "16 bits with triangular dither"}.get(
        options.subtype, f"{options.subtype.removeprefix('PCM_')} bits"
    )
    note = "; a sampler that reads no FLAC needs WAV" if options.container == "FLAC" else ""
    return f"{options.container}, {width}, {' and '.join(f'{rate} Hz' for rate in rates)}{note}"


_README = """{title}
{underline}

A drum kit of {strokes}: {sessions}.

Contents
  hits/          the audio; names sort by key, layer (01 is softest) and round robin
                 {format}
{documents}

Keys
{slots}

Levels
{notes}
  Gains are applied in the audio; the files of one slot keep their recorded level differences.
  In kit.sfz each stroke has a velocity curve, so that the level rises smoothly from layer to layer.
  Start with the volume low: drums have high peaks.

Microphones
{microphones}

Tuning
{tuning}

To check
{warnings}

Rights
  The recordings belong to the people who made them. Nothing in this folder gives you the right to
  pass them on or to publish them by themselves: ask whoever gave you the folder, and keep
  manifest.csv with the audio, so that the origin of each hit stays known.
  The manifest names folders and files of the computer the kit was made on. Remove those columns
  before you pass the folder on if they reveal more than you want.
"""
