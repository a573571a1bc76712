"""The verbs that put kits together."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from typing import TYPE_CHECKING

from catalog.command.printing import FINE, AddVerb, Run, emit, hit_line
from catalog.errors import CatalogError

if TYPE_CHECKING:
    from catalog.facade import Catalog
    from catalog.kit.assemble import Kit


def add_verbs(verb: AddVerb) -> None:
    """Add the verbs for kits."""
    fill = verb("fill", "choose hits for the free slots of a kit")
    fill.add_argument("locked", nargs="*", type=_slot_and_hit, metavar="SLOT=HIT")
    fill.add_argument("--slots", type=_names, metavar="A,B,...", help="slots to be filled")
    fill.add_argument("--layers", action="store_true", help="add other strokes of each drum")
    fill.add_argument("--save", metavar="NAME", help="keep the kit under this name")
    fill.add_argument("--seed", type=int, default=0)
    swap = verb("swap", "take the next best hit for one slot of a kept kit")
    swap.add_argument("name", help="as `catalog kits` lists it")
    swap.add_argument("slot")
    verb("kits", "list kept kits")
    forget = verb("forget-kit", "take a kept kit away; the recordings stay")
    forget.add_argument("name", help="as `catalog kits` lists it")
    rename = verb("rename-kit", "give a kept kit another name")
    rename.add_argument("name", help="as `catalog kits` lists it")
    rename.add_argument("new", help="the new name")


def _slot_and_hit(text: str) -> tuple[str, int]:
    slot, _, hit = text.partition("=")
    if not slot or not hit.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r} must be SLOT=HIT, such as snare=12")
    return slot, int(hit)


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


def _fill(cat: Catalog, args: argparse.Namespace) -> int:
    kit = cat.fill_kit(dict(args.locked), slots=args.slots, seed=args.seed)
    kit = cat.add_layers(kit) if args.layers else kit
    if args.save:
        cat.save_kit(kit, args.save)
    return _print_kit(cat, kit, args)


def _swap(cat: Catalog, args: argparse.Namespace) -> int:
    kit = cat.swap(kept_kit(cat, args.name), args.slot)
    cat.save_kit(kit, args.name)
    return _print_kit(cat, kit, args)


def _print_kit(cat: Catalog, kit: Kit, args: argparse.Namespace) -> int:
    lines: list[str] = []
    for slot, ids in kit.slots.items():
        lines += [f"{slot:<12}{hit_line(cat.hit(hit_id))}" for hit_id in ids]
        lines += [f"{'':<12}{reason}" for reason in kit.why.get(slot, ())]
    emit(kit, lines, as_json=args.json)
    return FINE


def kept_kit(cat: Catalog, name: str) -> Kit:
    """The kept kit of a name; `CatalogError` names those there are."""
    kits = {kit.name: kit for kit in cat.kits()}
    if name not in kits:
        raise CatalogError(f"no kit is named {name!r}; kept are: {', '.join(kits) or 'none'}")
    return kits[name]


def _kits(cat: Catalog, args: argparse.Namespace) -> int:
    kits = cat.kits()
    emit(kits, (f"{kit.name}: {', '.join(kit.slots)}" for kit in kits), as_json=args.json)
    return FINE


def _forget(cat: Catalog, args: argparse.Namespace) -> int:
    cat.delete_kit(args.name)
    return _kits(cat, args)


def _rename(cat: Catalog, args: argparse.Namespace) -> int:
    cat.rename_kit(args.name, args.new)
    return _kits(cat, args)


RUNS: Mapping[str, Run] = {
    "fill": _fill,
    "swap": _swap,
    "kits": _kits,
    "forget-kit": _forget,
    "rename-kit": _rename,
}
