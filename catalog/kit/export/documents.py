"""What goes with the audio: the key map, where each hit came from, a letter to whoever gets it."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from catalog.kit.export.options import ExportOptions
from catalog.kit.export.plan import Region, SlotPlan
from catalog.kit.fill.explain import explain_sessions
from catalog.kit.levels import Levels
from catalog.kit.slots import SLOTS, gm_name
from catalog.library.metadata.filename import ORIGIN

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would compute such a cell


MANIFEST_VERSION = 1


@dataclass(frozen=True)
class Row:
    """One file of the folder and its source, as the manifest tells it."""

    file: str
    sha256: str
    slot: str
    notes: str
    layer: int
    round_robin: int
    lowest_velocity: int
    highest_velocity: int
    gain_db: float
    tuning_semitones: float
    sr: int
    n_channels: int
    n_frames: int
    peak_dbfs: float | None
    source_file: str
    source_start_frame: int
    source_stop_frame: int
    source_right_file: str  # of a stereo hit in two files, else ""
    source_sha256: str  # of both, one after the other
    session: str
    drum: str
    microphone: str
    take: str
    origin: str
    role: str
    role_confidence: float


def manifest_row(
    plan: SlotPlan,
    region: Region,
    *,
    gain_db: float,
    semitones: float = 0.0,
    written: Mapping[str, float | int | str],
) -> Row:
    """Put a row together from the plan and from what was written.

    Parameters
    ----------
    plan : SlotPlan
    region : Region
    gain_db : float, dB
    semitones : float, how far it was tuned
    written : mapping with sha256, sr, n_channels, n_frames and peak_dbfs

    Returns
    -------
    Row
    """
    hit = region.hit
    peak = float(written["peak_dbfs"])
    return Row(
        file=region.file, sha256=str(written["sha256"]), slot=plan.slot,
        notes=" ".join(map(str, plan.notes)), layer=region.layer, round_robin=region.robin,
        lowest_velocity=region.lowest, highest_velocity=region.highest,
        gain_db=round(gain_db, 3), tuning_semitones=round(semitones, 3),
        sr=int(written["sr"]), n_channels=int(written["n_channels"]),
        n_frames=int(written["n_frames"]),
        peak_dbfs=round(peak, 2) if math.isfinite(peak) else None,
        source_file=str(hit.path), source_start_frame=hit.start, source_stop_frame=hit.stop,
        source_right_file="" if hit.mate is None else str(hit.mate),
        source_sha256=hit.content_hash, session=hit.session, drum=hit.drum,
        microphone=hit.microphone, take=hit.take, origin=_told(hit.origin),
        role=hit.role, role_confidence=round(hit.role_confidence, 3),
    )  # fmt: skip


def _told(origin: Mapping[str, str]) -> str:
    """What the recorder wrote into the file, as one text."""
    return "; ".join(f"{key}={origin[key]}" for key in sorted(origin) if key in ORIGIN)


def write_papers(
    plans: Sequence[SlotPlan],
    rows: Sequence[Row],
    levels: Levels,
    *,
    title: str,
    warnings: Sequence[str] = (),
    options: ExportOptions,
) -> dict[str, str]:
    """Every text file of the folder.

    Parameters
    ----------
    plans : sequence of SlotPlan
    rows : sequence of Row
    levels : Levels
    title : str
    warnings : sequence of str
    options : ExportOptions

    Returns
    -------
    dict of file name to text
    """
    return {
        "kit.sfz": sfz_text(plans, title=title),
        "notes.csv": notes_csv(plans),
        "manifest.csv": manifest_csv(rows),
        "manifest.json": manifest_json(rows, levels, title=title, warnings=warnings),
        "README.txt": readme_text(
            plans, rows, levels, title=title, warnings=warnings, options=options
        ),
    }


def manifest_json(
    rows: Sequence[Row], levels: Levels, *, title: str, warnings: Sequence[str] = ()
) -> str:
    """The manifest for programs."""
    chord = levels.chord_dbtp
    parts = {
        "manifest_version": MANIFEST_VERSION,
        "kit": title,
        "loudest_chord_dbtp": round(chord, 2) if math.isfinite(chord) else None,
        "level_notes": list(levels.notes),
        "warnings": list(warnings),
        "files": [asdict(row) for row in rows],
    }
    return json.dumps(parts, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def manifest_csv(rows: Sequence[Row]) -> str:
    """The manifest for spreadsheets; no cell is taken for a formula."""
    return _csv([asdict(row) for row in rows])


def notes_csv(plans: Sequence[SlotPlan]) -> str:
    """The key map: every key that plays something, with its General MIDI Level 1 name."""
    rows = [
        {
            "note": note,
            "general_midi_name": gm_name(note),
            "slot": plan.slot,
            "choke_group": plan.choke or "",
            "fits": "second choice" if SLOTS[plan.slot].second_choice else "yes",
        }
        for plan in plans
        for note in plan.notes
    ]
    return _csv(sorted(rows, key=lambda row: int(str(row["note"]))))


def _csv(rows: Sequence[Mapping[str, object]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(rows[0].keys())
    writer.writerows([inert_cell(cell) for cell in row.values()] for row in rows)
    return out.getvalue()


def inert_cell(cell: object) -> object:
    """A cell that no spreadsheet computes; numbers stay numbers, their minus sign starts nothing.

    Parameters
    ----------
    cell : object

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
    plans: Sequence[SlotPlan],
    rows: Sequence[Row],
    levels: Levels,
    *,
    title: str,
    warnings: Sequence[str] = (),
    options: ExportOptions,
) -> str:
    """A letter to whoever gets the folder.

    Parameters
    ----------
    plans : sequence of SlotPlan
    rows : sequence of Row
    levels : Levels
    title : str
    warnings : sequence of str
    options : ExportOptions

    Returns
    -------
    str
    """
    hits = {region.hit.id: region.hit for plan in plans for region in plan.regions}
    sessions = explain_sessions(hits, tuple(hits))
    slots = "\n".join(
        f"  {plan.notes[0]:3d}  {plan.slot:12s} {len(plan.regions)} "
        f"stroke{'s' if len(plan.regions) > 1 else ''} in {plan.regions[-1].layer} "
        f"layer{'s' if plan.regions[-1].layer > 1 else ''}"
        for plan in plans
    )
    notes = "\n".join(f"  {note}" for note in levels.notes)
    tuning = {row.slot: row.tuning_semitones for row in rows if row.tuning_semitones}
    played = "\n".join(f"  {slot}: {by:+.1f} semitones, by speed" for slot, by in tuning.items())
    return _README.format(
        title=title, underline="=" * len(title), n=len(rows), sessions=sessions, slots=slots,
        notes=notes or "  none", tuning=played or "  none", format=_format_line(rows, options),
        suffix=options.suffix, warnings="\n".join(f"  {line}" for line in warnings) or "  nothing",
    )  # fmt: skip


def _format_line(rows: Sequence[Row], options: ExportOptions) -> str:
    rates = sorted({row.sr for row in rows})
    width = {"FLOAT": "32 bits floating", "PCM_16": "16 bits with triangular dither"}.get(
        options.subtype, f"{options.subtype.removeprefix('PCM_')} bits"
    )
    note = "; a sampler that reads no FLAC wants WAV" if options.container == "FLAC" else ""
    return f"{options.container}, {width}, {' and '.join(f'{rate} Hz' for rate in rates)}{note}"


_README = """{title}
{underline}

A drum kit of {n} recorded hits, {sessions}.

What is here
  kit.sfz        load this in a sampler that reads SFZ
  hits/          the audio; names sort by key, layer (01 is softest) and round robin
                 {format}
  phrase{suffix:<9s}two bars played on it; phrase.mid is the same for your own player
  notes.csv      which key plays what (General MIDI Level 1 percussion)
  manifest.csv   where each hit came from and what was done to it; manifest.json for programs

Keys
{slots}

Levels
{notes}
  Gains are in the audio already; strokes of one slot kept their distances from each other.
  Begin with the volume low: drums are sudden.

Tuning
{tuning}

To be looked at
{warnings}

Rights
  The recordings belong to the people who made them. Nothing in this folder gives you the right to
  pass them on or to publish them by themselves: ask whoever gave you the folder, and keep
  manifest.csv with the audio, so that everybody can tell where a hit came from.
  The manifest names folders and files of the computer the kit was made on. Take those columns out
  before you hand it to strangers if they tell more than you want.
"""


def sfz_text(plans: Sequence[SlotPlan], *, title: str) -> str:
    """Write the instrument.

    A slot is a group for each of its keys; its layers share out the velocities and its round robins
    the turns. Velocity turns no level, since it is in the recordings, save below the weakest layer.
    Every stroke sounds to its end (`one_shot`) unless another of its choke group starts.

    Parameters
    ----------
    plans : sequence of SlotPlan
    title : str, for the comment at the top

    Returns
    -------
    str

    References
    ----------
    SFZ format, version 1, opcodes as at the format's public description; from memory.
    """
    lines = [f"// {one_line(title)}", "// keys: General MIDI percussion, see notes.csv", ""]
    lines += ["<global>", "loop_mode=one_shot", "ampeg_release=0.05", ""]
    for plan in plans:
        for note in plan.notes:
            lines += _group(plan, note)
    return "\n".join(lines) + "\n"


def one_line(text: str) -> str:
    """Text without line breaks and control characters, so that it cannot leave its comment."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _group(plan: SlotPlan, note: int) -> list[str]:
    lines = [f"// {plan.slot}: {gm_name(note)}", "<group>", f"key={note}"]
    lines += [f"pitch_keycenter={note}", "amp_veltrack=0"]
    if plan.choke:
        lines += [f"group={plan.choke}", f"off_by={plan.choke}", "off_mode=normal"]
    return [*lines, *(_region(region, plan) for region in plan.regions), ""]


def _region(region: Region, plan: SlotPlan) -> str:
    opcodes = [f"lovel={region.lowest}", f"hivel={region.highest}"]
    if region.n_robins > 1:
        opcodes += [f"seq_length={region.n_robins}", f"seq_position={region.robin}"]
    if region.layer == 1:
        points = (f"amp_velcurve_{at}={gain:.4f}" for at, gain in plan.curve.items())
        opcodes += ["amp_veltrack=100", *points]
    return f"<region> {' '.join(opcodes)} sample={region.file}"
