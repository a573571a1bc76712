"""Commands that fill, change, save, play and export kits."""

from __future__ import annotations

import argparse
import json
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from catalog.cli.output import (
    INCOMPLETE,
    NO_GOOD_HELP,
    OK,
    YES_HELP,
    AddCommand,
    can_ask,
    finite,
    is_agreed,
    note_no_change,
    print_message,
    print_result,
    read_regular_file,
    refuse_existing,
    short_path,
)
from catalog.cli.summary import hits_of
from catalog.cli.table import hit_lines, output_width, table_lines
from catalog.errors import CatalogError, KitArgumentError, ParameterError

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.kit.balance import Masking
    from catalog.kit.export import ExportPlan
    from catalog.kit.model import Kit
    from catalog.kit.phrase import Stroke

MAX_REASONS = 120  # characters of a line of reasons that does not go to a terminal
NAME_HELP = "as listed by `catalog kits`"
SLOT_HELP = "such as snare; `catalog kits` lists those of each kit"
ALL_HELP = "list every stroke of a slot"
PHRASE_HELP = "two bars, around, soft, hats or ladder"


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    kits = command("kits", "list saved kits, or the versions of one", _kits)
    kits.add_argument("name", nargs="?", help="list the versions of this kit")
    kits.add_argument("--take-back", type=int, metavar="VERSION", help="use this version again")
    kits.add_argument("--all", action="store_true", help=ALL_HELP)
    delete = command("delete-kit", "delete a saved kit, but no recording", _delete)
    delete.add_argument("name", help=NAME_HELP)
    delete.add_argument("--yes", action="store_true", help=YES_HELP)
    rename = command("rename-kit", "rename a saved kit", _rename)
    rename.add_argument("name", help=NAME_HELP)
    rename.add_argument("new", help="the new name")
    _add_saved_kit_commands(command)


def change_kit(cat: Catalog, name: str, change: Callable[[Kit], Kit]) -> tuple[Kit, bool]:
    """Change a saved kit in one transaction; return it, and whether it differs from before.

    `CatalogError` lists the saved kits if there is none of that name.
    """
    before = saved_kit(cat, name)

    def note_and_change(kit: Kit) -> Kit:
        nonlocal before
        before = kit
        return change(kit)

    kit = cat.kits.change(name, note_and_change)
    return kit, kit != before


def print_kit(
    cat: Catalog,
    kit: Kit,
    args: argparse.Namespace,
    numbers: Mapping[str, Sequence[str]] = MappingProxyType({}),
    *,
    only: str = "",
) -> None:
    """Print the hits of a kit with their reasons, and `numbers` by slot below them.

    Without `--all` a slot with several strokes is one line, with their number. `only` is a slot:
    the others are not printed, but are part of the JSON.
    """
    shown = {slot: ids for slot, ids in kit.slots.items() if only in ("", slot)}
    has_layers = any(len(ids) > 1 for ids in shown.values())
    rows = [(slot, i) for slot, ids in shown.items() for i in (ids if args.all else ids[:1])]
    strokes = "strokes", [str(len(shown[slot])) for slot, _ in rows]
    lines = hit_lines(
        cat, hits_of(cat, (hit_id for _, hit_id in rows)),
        columns=("id", "name", "role", "session", "length"), first=("slot", [s for s, _ in rows]),
        last=strokes if has_layers and not args.all else None,
    )  # fmt: skip
    width = output_width() or MAX_REASONS
    for slot, reasons in ((slot, kit.why[slot]) for slot in shown if slot in kit.why):
        lines += textwrap.wrap(f"{slot}: {'; '.join(reasons)}", width, subsequent_indent="  ")
        lines += [f"  {line}" for line in numbers.get(slot, ())]
    print_result(kit, lines, as_json=args.json)


def saved_kit(cat: Catalog, name: str) -> Kit:
    """Return the saved kit of a name; `CatalogError` lists the saved kits if there is none."""
    kits = {kit.name: kit for kit in cat.kits.saved()}
    if name not in kits:
        raise KitArgumentError(f"no kit is named {name!r}; saved kits: {', '.join(kits) or 'none'}")
    return kits[name]


def _kits(cat: Catalog, args: argparse.Namespace) -> int:
    if args.take_back is not None and args.name is None:
        raise ParameterError("--take-back needs the name of a kit")
    return _list_kits(cat, args) if args.name is None else _versions(cat, args)


def _versions(cat: Catalog, args: argparse.Namespace) -> int:
    from catalog.kit.change import describe_change

    saved_kit(cat, args.name)  # else the saved kits are listed
    if args.take_back is not None:
        print_kit(cat, cat.kits.take_back(args.name, args.take_back), args)
        return OK
    versions = cat.kits.versions(args.name)
    lines = [
        f"{each.version:>6}  {each.time_utc}  {describe_change(before, each.kit)}"
        for before, each in zip([None, *(v.kit for v in versions)], versions, strict=False)
    ]
    print_result(versions, lines, as_json=args.json)
    return OK


def _list_kits(cat: Catalog, args: argparse.Namespace) -> int:
    kits = cat.kits.saved()
    print_result(kits, (f"{kit.name}: {', '.join(kit.slots)}" for kit in kits), as_json=args.json)
    return OK


def _delete(cat: Catalog, args: argparse.Namespace) -> int:
    kit = saved_kit(cat, args.name)
    if args.yes:
        cat.kits.delete(args.name)
        return _list_kits(cat, args)
    plan = f"would delete the kit {kit.name}: {', '.join(kit.slots)}"
    if can_ask(args):
        print_message(plan)
        if is_agreed("Delete it? `catalog undo` brings it back."):
            cat.kits.delete(args.name)
            return _list_kits(cat, args)
        print_message("nothing was deleted")
        return INCOMPLETE
    lines = [plan, "nothing was deleted; add --yes to do it, `catalog undo` brings it back"]
    print_result({"dry_run": True, "kit": kit}, lines, as_json=args.json)
    return OK


def _rename(cat: Catalog, args: argparse.Namespace) -> int:
    is_changed = saved_kit(cat, args.name).name != args.new
    if is_changed:
        cat.kits.rename(args.name, args.new)
    _list_kits(cat, args)
    return note_no_change(is_changed)


def _add_saved_kit_commands(command: AddCommand) -> None:
    adjust = command("adjust", "set the level or tuning of one slot of a saved kit", _adjust)
    adjust.add_argument("name", help=NAME_HELP)
    adjust.add_argument("slot", help=SLOT_HELP)
    adjust.add_argument("--level", type=finite, metavar="DB", help="relative to the balanced level")
    adjust.add_argument(
        "--tune", type=finite, metavar="SEMITONES", help="-3 to 3, by playback speed"
    )
    tune = command(
        "tune", "list the intervals of the toms of a saved kit and suggest tunings", _tune
    )
    tune.add_argument("name", help=NAME_HELP)
    tune.add_argument(
        "--yes",
        action="store_true",
        help="apply the tunings; otherwise they are only listed",
    )
    masking = command(
        "masking", "list level, pitch and masking of the slots of a saved kit", _masking
    )
    masking.add_argument("name", help=NAME_HELP)
    compare = command("compare", "compare two saved kits", _compare)
    compare.add_argument("a", metavar="NAME", help=NAME_HELP)
    compare.add_argument("b", metavar="OTHER")
    _add_phrase(
        command("phrase", "render a phrase or a MIDI file with a saved kit to a WAV file", _phrase)
    )
    _add_export(
        command("export", "write a saved kit as audio, SFZ, note map and manifest", _export)
    )


def _add_phrase(phrase: argparse.ArgumentParser) -> None:
    phrase.add_argument("name", help=NAME_HELP)
    phrase.add_argument(
        "file",
        nargs="?",
        type=Path,
        help="new WAV file; without it the strokes are listed",
    )
    phrase.add_argument("--play", metavar="PHRASE", default="two bars", help=PHRASE_HELP)
    phrase.add_argument("--midi", type=Path, metavar="FILE", help="a Standard MIDI File instead")
    phrase.add_argument("--rate", type=int, default=44_100, metavar="HZ", help="of the WAV file")


def _add_export(export: argparse.ArgumentParser) -> None:
    export.add_argument("name", help=NAME_HELP)
    export.add_argument("folder", type=Path, help="must not exist yet")
    export.add_argument("--subtype", default="PCM_24", help="PCM_16 (dithered), PCM_24 or FLOAT")
    export.add_argument("--container", default="WAV", help="WAV or FLAC")
    export.add_argument("--rate", type=int, metavar="HZ", help="44100, 48000 or 96000")
    export.add_argument(
        "--zip", action="store_true", help="also write a zip file beside the folder"
    )
    export.add_argument(
        "--microphone", default="", metavar="NAME", help="of all strokes; or `mix`, or `all`"
    )
    export.add_argument(
        "--mix-level",
        action="append",
        default=[],
        type=_mix_level,
        metavar="NAME=DB",
        help="level of one microphone in the mix; may be repeated",
    )
    export.add_argument("--no-good", action="store_true", help=NO_GOOD_HELP)
    export.add_argument("--plan", action="store_true", help="only list what would be written")
    export.add_argument("--all", action="store_true", help="list every file")


def _mix_level(text: str) -> tuple[str, float]:
    """Return "OH=-6" as name and dB, for argparse."""
    name, _, level = text.rpartition("=")
    if not name:
        raise argparse.ArgumentTypeError(f"{text} must be a microphone and dB, such as OH=-6")
    return name, finite(level)


def _adjust(cat: Catalog, args: argparse.Namespace) -> int:
    if args.level is None and args.tune is None:
        raise ParameterError("give --level DB or --tune SEMITONES, or both")

    def adjust(kit: Kit) -> Kit:
        kit = kit if args.level is None else kit.with_level(args.slot, args.level)
        return kit if args.tune is None else kit.with_tuning(args.slot, args.tune)

    kit, is_changed = change_kit(cat, args.name, adjust)
    level, tuning = kit.level_db.get(args.slot, 0.0), kit.tuning_semitones.get(args.slot, 0.0)
    print_result(kit, [f"{args.slot}: {level:+.1f} dB, {tuning:+.1f} semitones"], as_json=args.json)
    return note_no_change(is_changed)


def _tune(cat: Catalog, args: argparse.Namespace) -> int:
    kit = saved_kit(cat, args.name)
    steps, proposals = cat.kit_sound.tom_intervals(kit), cat.kit_sound.propose_tuning(kit)

    def tune(now: Kit) -> Kit:
        if (now.slots, now.tuning_semitones) != (kit.slots, kit.tuning_semitones):
            raise CatalogError(
                f"the kit {args.name!r} was changed by another program meanwhile; nothing was "
                "tuned, list the intervals again"
            )
        for proposal in proposals:
            now = now.with_tuning(proposal.slot, proposal.semitones)
        return now

    lines = [
        f"{step.text}{'' if step.fits else ' (not between a third and a fifth)'}" for step in steps
    ]
    lines += [f"{'tuned' if args.yes else 'would tune'}: {p.text}" for p in proposals]
    if args.yes and proposals:
        cat.kits.change(args.name, tune)
    elif proposals:
        lines.append("nothing was changed; add --yes to do it")
    print_result({"intervals": steps, "proposals": proposals}, lines, as_json=args.json)
    return note_no_change(bool(proposals)) if args.yes else OK


def _masking(cat: Catalog, args: argparse.Namespace) -> int:
    found = cat.kit_sound.masking(saved_kit(cat, args.name))
    print_result(found, _masking_lines(found), as_json=args.json)
    return OK


def _masking_lines(found: Masking) -> Iterator[str]:
    for row, slot in enumerate(found.slots):
        overlap = " ".join(f"{100 * share:4.0f}" for share in found.overlap[row])
        note = found.notes[row] or "-"
        yield f"{slot:<12}{found.level_lkfs[row]:6.1f} LKFS  {note:<9}{overlap}"
    yield "columns: percentage of energy in the same bands, in the order of the rows"
    yield from found.lines


def _compare(cat: Catalog, args: argparse.Namespace) -> int:
    found = cat.kit_sound.compare(saved_kit(cat, args.a), saved_kit(cat, args.b))
    print_result(found, found.lines, as_json=args.json)
    return OK


def _phrase(cat: Catalog, args: argparse.Namespace) -> int:
    kit = saved_kit(cat, args.name)
    phrase = read_regular_file(args.midi) if args.midi else args.play
    played = cat.kit_sound.play_phrase(kit, phrase, notes=args.config.notes)
    for note in played.notes:
        print_message(note)
    if args.file is None:
        print_result(played, map(_stroke_line, played.strokes), as_json=args.json)
        return OK
    refuse_existing(args.file)
    notes = args.config.notes
    cat.kit_sound.write_phrase(kit, args.file, phrase, notes=notes, sr=args.rate)
    print_result(args.file, [args.file], as_json=args.json)
    return OK


def _stroke_line(stroke: Stroke) -> str:
    end = "" if stroke.choke_s is None else f"  choked at {stroke.choke_s:.3f} s"
    return (
        f"{stroke.time_s:8.3f} s  {stroke.slot:<12}{stroke.velocity:>4}  layer {stroke.layer} "
        f"round robin {stroke.robin}  hit {stroke.hit_id}  {stroke.gain_db:+.1f} dB{end}"
    )


def _export(cat: Catalog, args: argparse.Namespace) -> int:
    from catalog.kit.export import ExportOptions
    from catalog.library.scan.walk import MANIFEST

    kit = saved_kit(cat, args.name)
    options = ExportOptions(
        args.subtype.upper(),
        args.container.upper(),
        args.rate,
        args.zip,
        args.microphone,
        tuple(args.mix_level),
        args.no_good,
        args.config.notes,
    )
    if args.plan:
        plan = cat.kits.plan_export(kit, args.folder, options)
        print_result(plan, _plan_lines(cat, plan, every=args.all), as_json=args.json)
        return INCOMPLETE if plan.refusals else OK
    refuse_existing(args.folder, *([Path(f"{args.folder}.zip")] if args.zip else []))
    written = cat.export_kit(kit, args.folder, options)
    for line in json.loads((args.folder / MANIFEST).read_text("utf-8"))["warnings"]:
        print_message(f"check {line}")
    lines = [str(short_path(path)) for path in written] if args.all else []
    count = f"{short_path(args.folder)}: {len(written)} files, read back and checked"
    print_result(written, [*lines, count], as_json=args.json)
    return OK


def _plan_lines(cat: Catalog, plan: ExportPlan, *, every: bool) -> Iterator[str]:
    yield f"would write to {short_path(plan.folder)}"
    yield from _file_lines(cat, plan) if every else _slot_lines(plan)
    if plan.zip_file is not None:
        yield f"also as one zip file: {plan.zip_file}"
    yield f"at most {plan.n_bytes / 1e6:.1f} MB"
    yield from plan.level_notes
    yield from (f"check {line}" for line in plan.warnings)
    yield from (f"the export would fail: {line}" for line in plan.refusals)


def _slot_lines(plan: ExportPlan) -> Iterator[str]:
    header = ("slot", "notes", "layers", "files", "gain")
    rows = []
    for slot, files in plan.by_slot():
        notes = ", ".join(map(str, files[0].notes))
        gain = "" if files[0].gain_db is None else f"{files[0].gain_db:+.1f} dB"
        n_layers = len({file.layer for file in files})
        rows.append([slot, notes, str(n_layers), str(len(files)), gain])
    yield from table_lines(header, rows, right=frozenset(header[2:]))
    yield f"and {', '.join(plan.documents)}"


def _file_lines(cat: Catalog, plan: ExportPlan) -> Iterator[str]:
    regions = {hit.id: hit.region for hit in hits_of(cat, {file.hit_id for file in plan.audio})}
    for file in plan.audio:
        gain = "" if file.gain_db is None else f"  {file.gain_db:+.1f} dB"
        tuning = f"  {file.tuning_semitones:+.1f} semitones" if file.tuning_semitones else ""
        velocity = f"velocity {file.lowest} to {file.highest}"
        stroke = f" #{regions[file.hit_id]}" if regions[file.hit_id] else ""
        yield f"{file.file}  {velocity}{gain}{tuning}  {short_path(Path(file.source))}{stroke}"
    yield from plan.documents
