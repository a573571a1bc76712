"""Commands for takes: regions, microphones, stereo pairs, sessions."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from catalog.cli.output import (
    NO_GOOD_HELP,
    OK,
    YES_HELP,
    AddCommand,
    finite,
    hit_number,
    note_no_change,
    print_message,
    print_result,
    short_path,
    to_json_value,
)
from catalog.cli.table import hit_lines
from catalog.errors import ParameterError
from catalog.models import Hit, Microphone, State

if TYPE_CHECKING:
    from catalog.catalog import Catalog

MAX_S = 1e9  # 30 years; beyond it a number of frames may have no integer
WIDTH = 72  # characters of a waveform drawn as text
MAX_NUMBERS = 8  # of hits in a line
HEIGHTS = " .:-=+*#%@"  # from silence to the peak


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    command("takes", "list recordings with several strokes", _takes)
    regions = command("regions", "show the regions of a take, or change them", _regions)
    regions.add_argument("hit", type=hit_number, help="any stroke of the take")
    change = regions.add_mutually_exclusive_group()
    change.add_argument("--move", nargs=2, type=finite, metavar=("START", "STOP"), help="seconds")
    change.add_argument("--split", type=finite, metavar="AT", help="seconds")
    change.add_argument(
        "--merge", nargs="+", type=hit_number, metavar="HIT", help="neighboring strokes"
    )
    change.add_argument("--again", action="store_true", help="discard your changes")
    change.add_argument("--cut", action="store_true", help="cut a loop into its strokes")
    cut = command("cut", "write each stroke of a take to its own file", _cut)
    cut.add_argument("hit", type=hit_number, help="any stroke of the take")
    cut.add_argument("folder", type=Path, help="must not exist yet")
    cut.add_argument("--no-good", action="store_true", help=NO_GOOD_HELP)
    cut.add_argument("--yes", action="store_true", help=YES_HELP)
    sides = command(
        "sides", "list stereo hits whose channels are two mono files; join or separate them", _sides
    )
    change = sides.add_mutually_exclusive_group()
    change.add_argument("--join", nargs=2, type=hit_number, metavar=("LEFT", "RIGHT"))
    change.add_argument("--separate", type=hit_number, metavar="HIT")
    microphones = command(
        "microphones",
        "list the delays between the channels of a hit, or set their mix",
        _microphones,
    )
    microphones.add_argument("hit", type=hit_number)
    microphones.add_argument("--mix", metavar="CHOICE", help="sum, aligned, a channel, or none")
    command("sessions", "list sessions and the rule that named each", _sessions)


def _takes(cat: Catalog, args: argparse.Namespace) -> int:
    files: dict[Path, list[Hit]] = {}
    for hit in cat.hits():
        if hit.region:
            files.setdefault(hit.path, []).append(hit)
    lines = [
        f"{len(hits):>4} strokes, hits {_number_words([hit.id for hit in hits])}  {path}"
        for path, hits in files.items()
    ]
    value = [{"path": path, "hits": [hit.id for hit in hits]} for path, hits in files.items()]
    print_result(value, lines or ["no recording has several strokes"], as_json=args.json)
    return OK


def _number_words(ids: list[int]) -> str:
    """Return numbers as "288 to 291", or one by one if others lie between them."""
    first, last = min(ids), max(ids)
    if last - first + 1 == len(ids):
        return f"{first} to {last}"
    shown = [str(hit_id) for hit_id in sorted(ids)]
    if len(shown) > MAX_NUMBERS:
        shown = [*shown[: MAX_NUMBERS - 1], "…", str(last)]
    return ", ".join(shown)


def _regions(cat: Catalog, args: argparse.Namespace) -> int:
    hit = cat.hit(args.hit)
    before = cat.takes.regions(hit.id) if hit.state in (State.HERE, State.HIDDEN) else []
    if args.move:
        start, stop = (_frames(seconds, hit.sr) for seconds in args.move)
        cat.takes.move_region(hit.id, start=start, stop=stop)
    elif args.split is not None:
        cat.takes.split_region(hit.id, at=_frames(args.split, hit.sr))
    elif args.merge:
        cat.takes.merge_regions([hit.id, *args.merge])
    elif args.cut:
        cat.takes.cut_loop(hit.id)
    elif args.again:
        cat.takes.reset_regions(hit.id)
    strokes = cat.takes.regions(hit.path if args.again else hit.id)
    is_listing = not (args.move or args.merge or args.again or args.cut) and args.split is None
    lines = [str(hit.path), *_draw(cat, strokes)]
    lines += [
        f"{s.id:>6}  {s.start / s.sr:9.3f} to {s.stop / s.sr:9.3f} s  {s.role:<13}"
        f" {s.descriptors['peak_db']:6.1f} dBFS"
        for s in strokes
    ]
    print_result(strokes, lines, as_json=args.json)
    return OK if is_listing else note_no_change(_bounds(strokes) != _bounds(before))


def _frames(seconds: float, sr: int) -> int:
    if abs(seconds) > MAX_S:
        raise ParameterError(f"{seconds:g} s is longer than any recording")
    return round(seconds * sr)


def _bounds(strokes: Sequence[Hit]) -> list[tuple[int, int, int]]:
    return [(stroke.id, stroke.start, stroke.stop) for stroke in strokes]


def _draw(cat: Catalog, strokes: Sequence[Hit]) -> list[str]:
    """Return the waveform as one line of text, and below it the regions."""
    outline = cat.takes.waveform(strokes[0].path, n_points=WIDTH)
    peaks = abs(outline).max(axis=1)
    top = max(float(peaks.max()), 1e-9)
    steps = len(HEIGHTS) - 1
    wave = "".join(HEIGHTS[round(steps * min(1.0, float(p) / top) ** 0.5)] for p in peaks)
    length = cat.takes.n_frames(strokes[0].path)
    marks = [" "] * WIDTH
    for stroke in strokes:
        first = min(WIDTH - 1, stroke.start * WIDTH // length)
        last = min(WIDTH - 1, (stroke.stop - 1) * WIDTH // length)
        marks[first : last + 1] = "_" * (last + 1 - first)
        marks[first] = "|"
    return [wave, "".join(marks)]


def _cut(cat: Catalog, args: argparse.Namespace) -> int:
    plan = cat.takes.write_strokes(
        args.hit, args.folder, dry_run=not args.yes, no_good=args.no_good
    )
    word = "wrote" if args.yes else "would write"
    lines = [f"{word} {part.target} ({part.length_s:.3f} s)" for part in plan]
    if n_over := sum(part.n_over for part in plan):
        lines.append(
            f"{n_over} samples exceed full scale; the files are 32-bit float, so that none is "
            "clipped. Lower the level before you convert them to an integer format"
        )
    if not args.yes:
        lines.append("nothing was written; add --yes to do it")
    print_result({"dry_run": not args.yes, "files": plan}, lines, as_json=args.json)
    return OK


def _sides(cat: Catalog, args: argparse.Namespace) -> int:
    is_listing, is_changed = not args.join and args.separate is None, False
    if args.join:
        is_changed = cat.takes.join_stereo_pair(*args.join)
    elif args.separate is not None:
        is_changed = cat.takes.split_stereo_pair(args.separate)
    if not is_listing:
        print_message("stored; the next scan of the folder applies it")
    hits = cat.takes.stereo_pairs()
    print_result(
        hits,
        hit_lines(cat, hits) or ["no hit is stored in two files"],
        as_json=args.json,
    )
    return OK if is_listing else note_no_change(is_changed)


def _microphones(cat: Catalog, args: argparse.Namespace) -> int:
    warning, before = "", cat.takes.mix(args.hit)
    if args.mix is not None:
        warning = cat.takes.set_mix(args.hit, "" if args.mix == "none" else args.mix)
    delays, mix = cat.takes.microphones(args.hit), cat.takes.mix(args.hit)
    names = cat.hit(args.hit).origin.get("tracks", "").split(", ")
    lines = [
        f"{d.channel:>3}  {d.delay_ms:7.2f} ms  {d.distance_m:6.2f} m  {d.level_db:6.1f} dBFS"
        f"{'  opposite polarity' if d.flipped else ''}"
        f"{'  ' + names[d.channel - 1] if d.channel <= len(names) else ''}"
        for d in delays
    ]
    hit = cat.hit(args.hit)
    lines += [_arrival_line(mic, hit.sr) for mic in hit.tied]
    lines.append(f"mix: {mix or 'as recorded'}")
    if warning:
        print_message(f"warning: {warning}")
    value = {
        "channels": delays,
        "microphones": [_arrival_value(mic, hit.sr) for mic in hit.tied],
        "mix": mix,
        "warning": warning,
    }
    print_result(value, lines, as_json=args.json)
    return OK if args.mix is None else note_no_change(mix != before)


def _arrival_value(mic: Microphone, sr: int) -> dict[str, object]:
    """Return one microphone with its delay in ms and m; None where it was not measured."""
    from catalog.audio.channels import SOUND_M_S

    value = to_json_value(mic)
    for unit, factor in (("ms", 1000.0), ("m", SOUND_M_S)):
        for kind, n in (("delay", mic.delay_samples), ("spread", mic.spread_samples)):
            value[f"{kind}_{unit}"] = None if n is None else factor * n / sr
    return value


def _arrival_line(mic: Microphone, sr: int) -> str:
    """Return the arrival at one microphone, pooled over its take, as one line."""
    value = _arrival_value(mic, sr)
    name = mic.name or short_path(mic.path).name
    if mic.delay_samples is None:
        return f"     not measured  {name}"
    spread = f" +- {value['spread_ms']:.2f}" if mic.spread_samples is not None else ""
    flipped = "  opposite polarity" if mic.polarity == -1 else ""
    return f"     {value['delay_ms']:7.2f}{spread} ms  {value['delay_m']:6.2f} m{flipped}  {name}"


def _sessions(cat: Catalog, args: argparse.Namespace) -> int:
    sessions = cat.takes.sessions()
    lines = [
        f"{s.n_hits:>6} hits in {s.n_files} files  {s.name}  (named by: {', '.join(s.sources)}"
        f"{'; ' + ', '.join(s.dates) if s.dates else ''})"
        for s in sessions
    ]
    print_result(sessions, lines, as_json=args.json)
    return OK
