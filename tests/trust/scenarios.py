"""What a user does that changes the disk, each in a process of its own that can be interrupted."""

from __future__ import annotations

import shutil
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from catalog import Catalog
from catalog.errors import CatalogError
from catalog.kit.export import ExportOptions
from catalog.kit.model import Kit
from tests.trust.conftest import TONES_HZ, write_stroke, write_take
from tests.trust.disk_calls import DiskCalls

PROCESSES = get_context("forkserver")
PROCESSES.set_forkserver_preload(["tests.trust.scenarios"])
REASON = "copy"


@dataclass(frozen=True)
class Place:
    """Where a scenario happens: one folder that holds the library, the store and the exports."""

    folder: Path

    @property
    def library(self) -> Path:
        """The recordings."""
        return self.folder / "recordings"

    @property
    def store(self) -> Path:
        """The store, with the folder of files set aside beside it."""
        return self.folder / "drums.sqlite"

    @property
    def out(self) -> Path:
        """The folder that exports go to."""
        return self.folder / "out"


@dataclass(frozen=True)
class Ending:
    """How a process ended.

    Attributes
    ----------
    was_killed : bool
    result : Any, what the scenario returned; None if it raised or was killed
    error : str, the message of the `CatalogError` that it raised, else ""
    trace : str, the traceback of any other error, else ""
    n_calls : int, calls that change the disk
    """

    was_killed: bool
    result: Any = None
    error: str = ""
    trace: str = ""
    n_calls: int = 0


def prepare(place: Place) -> None:
    """Make a scanned library: five drums of four strokes, one take, two files set aside, a kit."""
    for k, (role, hz) in enumerate(TONES_HZ.items()):
        for stroke in range(4):
            write_stroke(place.library / f"{role}_{stroke + 1}.wav", 10 * k + stroke, hz=hz)
    write_take(place.library / "take.wav", n_strokes=3)
    place.out.mkdir()
    with Catalog.open(place.store) as cat:
        cat.scan([place.library], n_jobs=1)
        names = {hit.path.stem: hit.id for hit in cat.hits()}
        cat.set_aside([names["tom_1"], names["tom_2"]], reason=REASON)
        cat.kits.save(Kit(slots={"kick": (names["kick_1"],), "snare": (names["snare_1"],)}), "barn")


def set_aside(place: Place) -> list[int]:
    """Set two files aside; return the ids."""
    with Catalog.open(place.store) as cat:
        ids = [hit.id for hit in cat.hits() if hit.path.stem in ("kick_3", "crash_2")]
        return [event.hit_id for event in cat.set_aside(ids, reason=REASON)]


def restore(place: Place) -> list[int]:
    """Restore the two files that `prepare` set aside; return the ids."""
    with Catalog.open(place.store) as cat:
        ids = [hit.id for hit in cat.hits(states=("aside",))]
        return [event.hit_id for event in cat.restore(ids)]


def undo(place: Place) -> list[int]:
    """Undo everything; return the ids, and fail if a hit was left."""
    with Catalog.open(place.store) as cat:
        result = cat.files.undo(everything=True)
        if result.left:
            raise CatalogError(result.left[0][1])
        return [event.hit_id for event in result.events]


def export(place: Place) -> list[str]:
    """Export the kit, with a zip; return the names of all files."""
    with Catalog.open(place.store) as cat:
        (kit,) = cat.kits.saved()
        written = cat.export_kit(kit, place.out / "barn", ExportOptions(as_zip=True))
        return [str(path.relative_to(place.out)) for path in written]


def cut(place: Place) -> list[str]:
    """Write the strokes of the take to files; return their names."""
    with Catalog.open(place.store) as cat:
        take = next(hit for hit in cat.hits() if hit.path.stem == "take")
        plan = cat.takes.write_strokes(take.id, place.out / "strokes")
        return [str(part.target.relative_to(place.out)) for part in plan]


def open_only(place: Place) -> None:
    """Open the store, which completes or reverts what an earlier process left."""
    Catalog.open(place.store).close()


def rearrange(place: Place) -> None:
    """Rename one recording and add another."""
    kick = place.library / "kick_2.wav"
    if kick.exists():
        kick.rename(kick.with_name("kick_renamed.wav"))
        shutil.copyfile(place.library / "snare_1.wav", place.library / "snare_new.wav")


def scan(place: Place) -> int:
    """Scan what `rearrange` has changed; return the number of hits."""
    with Catalog.open(place.store) as cat:
        cat.scan([place.library], n_jobs=1)
        return len(cat.hits())


SCENARIOS: dict[str, Callable[[Place], Any]] = {
    function.__name__: function
    for function in (set_aside, restore, undo, export, cut, open_only, scan)
}


def run(name: str, place: Place, calls: DiskCalls) -> Ending:
    """Run a scenario in a process of its own."""
    if name == "scan":
        rearrange(place)
    receiver, sender = PROCESSES.Pipe(duplex=False)
    process = PROCESSES.Process(target=_run_here, args=(name, place, calls, sender))
    process.start()
    sender.close()
    try:
        ending: Ending = receiver.recv()
    except EOFError:
        ending = Ending(was_killed=True)
    process.join()
    return ending


def _run_here(name: str, place: Place, calls: DiskCalls, sender: Connection) -> None:
    calls.install()
    result, error, trace = None, "", ""
    try:
        result = SCENARIOS[name](place)
    except CatalogError as err:
        error = str(err)
    except BaseException:
        trace = traceback.format_exc()
    sender.send(Ending(False, result, error, trace, calls.n_calls))
