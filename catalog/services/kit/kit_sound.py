"""How a kit sounds as a whole: levels, tuning, masking, comparisons, phrases."""

from __future__ import annotations

from pathlib import Path

from catalog.audio.encode import encode_wav
from catalog.audio.model import SR_RANGE_HZ
from catalog.context import Context
from catalog.errors import KitArgumentError, KitError, ParameterError
from catalog.kit.balance import (
    Interval,
    KitComparison,
    Masking,
    TuningProposal,
    compare_kits,
    measure_masking,
    measure_pitches,
    propose_tuning,
    tom_intervals,
)
from catalog.kit.levels import Levels, balance_levels
from catalog.kit.model import Kit
from catalog.kit.phrase import (
    Performance,
    Phrase,
    load_phrase,
    perform_phrase,
    render_phrase,
)
from catalog.kit.slots import NO_NOTES, NoteMap
from catalog.kit.strokes import StrokeReader
from catalog.library.files.atomic import write_new_file
from catalog.services.kit.kits import Kits


class KitSound:
    """Measure and play kits of present hits."""

    def __init__(self, context: Context, kits: Kits) -> None:
        self._context = context
        self._kits = kits

    def levels(self, kit: Kit) -> Levels:
        """Return the gain of each slot, including the user's level changes."""
        return balance_levels(kit, self._kits.hits_of(kit), read=self._strokes())

    def tom_intervals(self, kit: Kit) -> tuple[Interval, ...]:
        """Return the intervals between neighboring toms as they are tuned, from low to high."""
        return tom_intervals(kit, self._pitches(kit))

    def propose_tuning(self, kit: Kit) -> tuple[TuningProposal, ...]:
        """Return tunings of up to three semitones that make the toms more even; may be empty.

        Apply a proposal with `Kit.with_tuning(proposal.slot, proposal.semitones)`.
        """
        return propose_tuning(kit, self._pitches(kit))

    def masking(self, kit: Kit) -> Masking:
        """Return how far the slots of a kit mask each other, with their levels and pitches.

        Raises
        ------
        KitError
            if a hit cannot be read
        """
        hits, strokes = self._kits.hits_of(kit), self._strokes()
        levels = balance_levels(kit, hits, read=strokes)
        pitches = self._context.drum_pitches()
        return measure_masking(kit, hits, levels, pitches=pitches, read=strokes)

    def compare(self, a: Kit, b: Kit) -> KitComparison:
        """Compare two kits slot by slot; both are scored against the present hits.

        Raises
        ------
        KitError
            if a hit is not present or cannot be read
        """
        hits = {**self._kits.hits_of(a), **self._kits.hits_of(b)}
        scored = (self._kits.score(a), self._kits.score(b))
        pitches = self._context.drum_pitches()
        return compare_kits(scored, hits, (self.levels(a), self.levels(b)), pitches=pitches)

    def play_phrase(
        self, kit: Kit, phrase: str | bytes = "two bars", *, notes: NoteMap = NO_NOTES
    ) -> Performance:
        """Return which stroke of a kit sounds when, at what level, and what chokes it.

        Parameters
        ----------
        kit : Kit
        phrase : str or bytes
            one of `catalog.kit.phrase.PHRASES`, or a whole Standard MIDI File
        notes : mapping of slot to MIDI keys, in place of the General MIDI ones

        Returns
        -------
        Performance

        Raises
        ------
        KitError
            if there is no such phrase, the bytes are not a MIDI file, or the kit plays none of it
        """
        loaded, hits = _load_phrase(kit, phrase, notes), self._kits.hits_of(kit)
        return perform_phrase(kit, hits, loaded, gain_db=self.levels(kit).gain_db)

    def render_phrase(
        self,
        kit: Kit,
        phrase: str | bytes = "two bars",
        *,
        notes: NoteMap = NO_NOTES,
        sr: int = 44_100,
    ) -> bytes:
        """Return a phrase as a stereo WAV file of 24 bits, below -1 dBTP; see `play_phrase`.

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
        ParameterError
            if `sr` is not between 4,000 and 768,000 Hz
        """
        loaded, hits = _load_phrase(kit, phrase, notes), self._kits.hits_of(kit)
        strokes = self._strokes()
        gain_db = balance_levels(kit, hits, read=strokes).gain_db
        low, high = SR_RANGE_HZ
        if not low <= sr <= high:
            raise ParameterError(f"sr={sr} must be between {low} and {high} Hz")
        wave = render_phrase(kit, hits, loaded, gain_db=gain_db, read=strokes, sr=sr)
        return encode_wav(wave, sr=sr, subtype="PCM_24")

    def write_phrase(
        self,
        kit: Kit,
        file: str | Path,
        phrase: str | bytes = "two bars",
        *,
        notes: NoteMap = NO_NOTES,
        sr: int = 44_100,
    ) -> None:
        """Write the result of `render_phrase` to a new file and read it back.

        Raises
        ------
        KitError
            as `render_phrase`, or if the file exists, cannot be written, or differs when read
            back; no partial file is left
        ParameterError
            if `sr` is not between 4,000 and 768,000 Hz
        """
        data = self.render_phrase(kit, phrase, notes=notes, sr=sr)
        try:
            write_new_file(Path(file).absolute(), data)
        except FileExistsError as err:
            raise KitArgumentError(f"{file} exists already; choose a new name") from err
        except OSError as err:
            raise KitError(f"{file}: cannot be written ({err.strerror or err})") from err

    def _pitches(self, kit: Kit) -> dict[str, float]:
        self._kits.hits_of(kit)  # raises for hits that are not present
        return measure_pitches(kit, self._context.drum_pitches())

    def _strokes(self) -> StrokeReader:
        """Return a reader of strokes as an export writes them: faded, at most two channels."""
        return StrokeReader(self._context.read)


def _load_phrase(kit: Kit, phrase: str | bytes, notes: NoteMap) -> Phrase:
    slots = tuple(slot for slot, ids in kit.slots.items() if ids)
    return load_phrase(phrase, slots, notes)
