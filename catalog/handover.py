"""What is done with a whole kit: judged anew, weighed, played, compared, handed over."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from catalog.errors import KitError
from catalog.holdings import Holdings
from catalog.kit.fill.fill import Pool
from catalog.kit.model import Kit
from catalog.library.scan.walk import hash_file
from catalog.models import Hit

if TYPE_CHECKING:
    from catalog.audio.model import Audio
    from catalog.kit.balance import Clashes, Interval, KitComparison, TuningProposal
    from catalog.kit.export import ExportOptions, ExportPlan
    from catalog.kit.levels import Levels
    from catalog.kit.phrase import Performance, Phrase


class HandOver(Holdings):
    """Kits of hits that are there; `Catalog` chooses the hits."""

    def judge_kit(self, kit: Kit) -> Kit:
        """The same kit with `why` and `score` told anew, as it is filled and tuned now.

        Raises
        ------
        KitError
            if a main hit is not among the hits that are here
        """
        from catalog.kit.fill.fill import judge_kit

        return judge_kit(self._pool(), kit)

    def levels(self, kit: Kit) -> Levels:
        """The gain of each slot, with the user's own levels, and what was changed."""
        from catalog.kit.levels import match_levels

        return match_levels(kit, self._hits_of(kit), read=self._sounding())

    def tom_intervals(self, kit: Kit) -> tuple[Interval, ...]:
        """The steps between neighbouring toms as they are tuned, from low to high."""
        from catalog.kit.balance import tom_intervals

        return tom_intervals(kit, self._hits_of(kit))

    def propose_tuning(self, kit: Kit) -> tuple[TuningProposal, ...]:
        """What to tune by up to three semitones where toms sit badly; empty if they sit well.

        A proposal is taken by `Kit.with_tuning(proposal.slot, proposal.semitones)`.
        """
        from catalog.kit.balance import propose_tuning

        return propose_tuning(kit, self._hits_of(kit))

    def clashes(self, kit: Kit) -> Clashes:
        """How far the slots of a kit cover each other, with their levels and pitches.

        Raises
        ------
        KitError
            if a hit cannot be read
        """
        from catalog.kit.balance import find_clashes

        return find_clashes(kit, self._hits_of(kit), self.levels(kit), read=self._sounding())

    def compare_kits(self, a: Kit, b: Kit) -> KitComparison:
        """Two kits slot by slot; both are judged among the hits that are here.

        Raises
        ------
        KitError
            if a hit is not here or cannot be read
        """
        from catalog.kit.balance import compare_kits

        hits = {**self._hits_of(a), **self._hits_of(b)}
        kits = (self.judge_kit(a), self.judge_kit(b))
        return compare_kits(kits, hits, (self.levels(a), self.levels(b)))

    def play_phrase(self, kit: Kit, phrase: str | bytes = "two bars") -> Performance:
        """Which stroke of a kit sounds when, how loud, and what stops it.

        Parameters
        ----------
        kit : Kit
        phrase : str or bytes
            one of `catalog.kit.phrase.PHRASES`, or a whole Standard MIDI File

        Returns
        -------
        Performance

        Raises
        ------
        KitError
            if there is no such phrase, the file is no MIDI file, or the kit plays nothing of it
        """
        from catalog.kit.phrase import perform_phrase

        found = self._phrase(kit, phrase)
        return perform_phrase(kit, self._hits_of(kit), found, gain_db=self.levels(kit).gain_db)

    def render_phrase(
        self, kit: Kit, phrase: str | bytes = "two bars", *, sr: int = 44_100
    ) -> bytes:
        """A phrase as a WAV file of 24 bits, stereo, under -1 dBTP; see `play_phrase`.

        Parameters
        ----------
        kit : Kit
        phrase : str or bytes
        sr : int, Hz

        Returns
        -------
        bytes

        Raises
        ------
        KitError
            as `play_phrase`, or if a hit cannot be read
        """
        from catalog.audio.encode import encode_wav
        from catalog.kit.phrase import render_phrase

        events = self._phrase(kit, phrase).events
        gain_db, read = self.levels(kit).gain_db, self._sounding()
        wave = render_phrase(kit, self._hits_of(kit), events, gain_db=gain_db, read=read, sr=sr)
        return encode_wav(wave, sr=sr, subtype="PCM_24")

    def kit_warnings(self, kit: Kit) -> tuple[str, ...]:
        """What to look at before a kit goes out: wrong roles, guesses, missing strengths."""
        from catalog.kit.export.plan import kit_warnings

        return kit_warnings(kit, self._hits_of(kit))

    def plan_export(
        self, kit: Kit, folder: str | Path, options: ExportOptions | None = None
    ) -> ExportPlan:
        """What `export_kit` would write and where, what to look at, and what stands against it.

        Parameters
        ----------
        kit : Kit
        folder : str or Path
        options : ExportOptions, optional

        Returns
        -------
        ExportPlan
            nothing is written

        Raises
        ------
        KitError
            if the kit is empty or names an unknown slot or hit
        """
        from catalog.kit.export import foresee_export

        hits = self._hits_of(kit)
        plan = foresee_export(kit, hits, folder, read=self._read, options=options)
        return replace(plan, refusals=(*plan.refusals, *_changed(hits)))

    def export_kit(
        self,
        kit: Kit,
        folder: str | Path,
        options: ExportOptions | None = None,
        *,
        subtype: str | None = None,
    ) -> list[Path]:
        """Write a kit as audio, SFZ, note map and manifest into a new folder.

        Parameters
        ----------
        kit : Kit
        folder : str or Path, must not exist yet
        options : ExportOptions, optional; WAV of 24 bits at the rate of each recording
        subtype : str, optional, in place of that of the options

        Returns
        -------
        list of Path, the files written

        Raises
        ------
        KitError
            if the folder exists, a recording has changed since it was scanned, or the kit cannot
            be written; nothing is left half done

        Examples
        --------
        >>> kit = cat.fill_kit({}, ["kick", "snare"])
        >>> sorted(path.name for path in cat.export_kit(kit, "my kit") if path.suffix == ".sfz")
        ['kit.sfz']
        """
        from catalog.kit.export import export_kit

        hits = self._hits_of(kit)
        if changed := _changed(hits):
            raise KitError(changed[0])
        return export_kit(
            kit, hits, Path(folder), read=self._read, options=options, subtype=subtype
        )

    # Within

    def _phrase(self, kit: Kit, phrase: str | bytes) -> Phrase:
        from catalog.kit.phrase import read_midi, read_phrase

        slots = tuple(slot for slot, ids in kit.slots.items() if ids)
        return read_phrase(phrase, slots) if isinstance(phrase, str) else read_midi(phrase, slots)

    def _sounding(self) -> Callable[[Hit], Audio]:
        """Read strokes as they are written: faded where cut, at most two channels."""
        from catalog.kit.export.audio import stroke_reader

        return stroke_reader(self._read)

    def _hits_of(self, kit: Kit) -> dict[int, Hit]:
        return self.hits_by_id({hit_id for ids in kit.slots.values() for hit_id in ids})

    def _pool(self) -> Pool:
        table = self._current()
        return Pool(table.hits, self._store.production([hit.id for hit in table.hits]))


def _changed(hits: Mapping[int, Hit]) -> list[str]:
    """A line for each recording that is no longer what was scanned."""
    files = {hit.files: hit.content_hash for hit in hits.values()}
    return [
        f"{paths[0].name}: has changed since it was scanned; scan again"
        for paths, known in files.items()
        if all(path.is_file() for path in paths) and hash_file(*paths) != known
    ]
