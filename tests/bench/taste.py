"""Measure how well a person with a hidden preference is served: `taste.py FOLDER`.

The folder is scanned into a new store. A simulated person prefers hits that are darker and shorter
than others of their role, and one session. In each draw they are offered four hits of one role at a
time, take the best by that hidden value, with some noise, and mark it "master" or put it into a kit
in place of another one. After 0, 9, 10, 20 and 40 choices the hidden value of what is served is
compared: the first five of `similar` for hits at random, and the free slots of filled kits, each
with and without the taste. The likeness that it costs is shown by the mean distance.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from catalog import Catalog, Kit
from catalog.kit.fill.options import FillOptions
from catalog.kit.slots import SLOTS
from catalog.search.taste.preference import Traits
from catalog.services.kit.taste import FORGOTTEN

N_CHOICES = (0, 9, 10, 20, 40)
N_DRAWS, N_QUERIES, N_KITS = 5, 30, 4
N_OFFERED, N_FIRST = 4, 5
NOISE = 0.5  # deviation of what the person takes, beside a hidden value of deviation 1.6 or so
PLAIN = FillOptions(plain=True)


def hidden_values(traits: Traits, room: str) -> np.ndarray:
    """Return the hidden value of each hit: darker, shorter, one session."""
    return -traits.z[:, 0] - traits.z[:, 1] + 1.5 * (traits.sessions == room)


def make_choices(cat: Catalog, traits: Traits, value: np.ndarray, n: int, seed: int) -> None:
    """Let the simulated person choose `n` times: half by marks, half in saved kits."""
    rng = np.random.default_rng(seed)
    role = {hit.id: hit.role for hit in cat.hits()}
    roles = np.array([role.get(hit_id, "") for hit_id in traits.hit_ids.tolist()])
    slot_of = {slot.roles[0]: name for name, slot in SLOTS.items()}
    usable = [r for r in slot_of if (roles == r).sum() >= 2 * N_OFFERED]
    chosen: set[int] = set()
    for number in range(n):
        rows = np.flatnonzero(roles == usable[rng.integers(len(usable))])
        rows = rng.choice([r for r in rows if r not in chosen], N_OFFERED, replace=False)
        best = int(rows[(value[rows] + NOISE * rng.normal(size=N_OFFERED)).argmax()])
        other = next(int(r) for r in rows if r != best)
        chosen.add(best)
        ids = traits.hit_ids
        if number % 2:
            cat.annotations.mark([int(ids[best])], "master")
        else:
            slot = slot_of[roles[best]]
            kit = Kit(slots={slot: (int(ids[best]),)}, passed={slot: (int(ids[other]),)})
            cat.kits.save(kit, f"kit {number}", replace_saved=True)


def clear(cat: Catalog) -> None:
    """Take back all choices."""
    cat.annotations.mark([hit.id for hit in cat.hits()], "")
    for kit in cat.kits.saved():
        cat.kits.delete(kit.name)
    cat.context.store.database.save_setting(FORGOTTEN, [])


def served_by_similar(
    cat: Catalog, traits: Traits, value: np.ndarray, *, seed: int, plain: bool
) -> tuple[float, float]:
    """Return the mean hidden value and distance of the first answers, the query's role alone."""
    rng, values, distances = np.random.default_rng(seed), [], []
    present = [hit.id for hit in cat.hits()]
    for hit_id in rng.choice(present, N_QUERIES, replace=False).tolist():
        role = cat.hit(hit_id).role
        found = cat.similar(hit_id, N_FIRST, role, plain=plain)
        values += value[traits.rows_of([match.hit_id for match in found])].tolist()
        distances += [match.distance for match in found]
    return float(np.mean(values)), float(np.mean(distances))


def served_by_kits(
    cat: Catalog, traits: Traits, value: np.ndarray, *, seed: int, plain: bool
) -> float:
    """Return the mean hidden value of the free slots of kits around a snare at random."""
    snares = [hit.id for hit in cat.hits(role="snare")]
    rng, values = np.random.default_rng(seed), []
    for snare in rng.choice(snares, N_KITS, replace=False).tolist():
        kit = cat.kits.fill({"snare": snare}, seed=seed, options=PLAIN if plain else None)
        free = [ids[0] for slot, ids in kit.slots.items() if slot != "snare"]
        values += value[traits.rows_of(free)].tolist()
    return float(np.mean(values))


def rows_of_table(cat: Catalog) -> Iterator[tuple[int, np.ndarray]]:
    """Yield the number of choices and what was served, for each draw."""
    traits = cat.taste._read_traits()
    names, counts = np.unique(traits.sessions, return_counts=True)
    rooms = [name for name, n in zip(names, counts, strict=True) if name and n >= 40]
    for seed in range(N_DRAWS):
        value = hidden_values(traits, rooms[seed % len(rooms)])
        for n in N_CHOICES:
            clear(cat)
            make_choices(cat, traits, value, n, seed)
            served = [
                *served_by_similar(cat, traits, value, seed=seed, plain=True),
                *served_by_similar(cat, traits, value, seed=seed, plain=False),
                served_by_kits(cat, traits, value, seed=seed, plain=True),
                served_by_kits(cat, traits, value, seed=seed, plain=False),
            ]
            yield n, np.array(served)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    args = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as place,
        Catalog.open(Path(place) / "drums.sqlite") as cat,
    ):
        cat.scan([args.folder])
        found: dict[int, list[np.ndarray]] = {n: [] for n in N_CHOICES}
        for n, served in rows_of_table(cat):
            found[n].append(served)
        print("choices  similar: plain -> taste (distance)          kits: plain -> taste")
        for n, rows in found.items():
            a, da, b, db, c, d = np.mean(rows, axis=0)
            print(f"{n:7}  {a:+.2f} -> {b:+.2f} ({da:.3f} -> {db:.3f})  {c:+.2f} -> {d:+.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
