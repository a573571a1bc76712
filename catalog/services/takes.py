"""Regions of takes, microphones of a file, stereo pairs of files, and sessions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from catalog.audio.channels import ChannelDelay, delay_frames, measure_delays
from catalog.context import Context, check_ids
from catalog.features.waveform import waveform_outline
from catalog.library.files.leftovers import export_under_way
from catalog.library.metadata.given_names import set_names
from catalog.library.metadata.sessions import Session, list_sessions, set_session
from catalog.library.scan.stereo_pairs import (
    count_frames,
    decode_sides,
    join_stereo_pair,
    split_stereo_pair,
)
from catalog.library.store.records.outlines import read_outline
from catalog.library.takes.cut_export import CutFile, plan_cut_export, write_cut_export
from catalog.library.takes.overrides import read_override
from catalog.library.takes.regions import (
    cancellation_warning,
    cut_loop,
    list_regions,
    merge_regions,
    mix_file,
    move_region,
    reset_regions,
    split_region,
)
from catalog.models import Event, Hit, Mark, State
from catalog.search.drums.known_drums import learn_drums

WAVEFORM_FRAMES = 2_000_000  # decoded at once for the outline of a long take


class Takes:
    """Edit how recordings are divided into hits, mixed and grouped into sessions."""

    def __init__(self, context: Context) -> None:
        self._context, self._store = context, context.store

    def regions(self, hit: int | str | Path) -> list[Hit]:
        """Return the strokes of one file in time order.

        Parameters
        ----------
        hit : int, str or Path, a hit's id, or its file

        Returns
        -------
        list of Hit
            one hit with `region` 0 if the file is a finished hit

        Raises
        ------
        StoreError
            if there is no such hit or no hit of that file
        """
        return list_regions(self._store, self._path_of(hit))

    def waveform(
        self,
        hit: int | str | Path,
        *,
        n_points: int = 1000,
        start: int = 0,
        stop: int | None = None,
    ) -> np.ndarray:
        """Return the waveform outline of the whole file of a hit, or of a part of it.

        Parameters
        ----------
        hit : int, str or Path
        n_points : int, above 0
        start, stop : int, frames of the file; `stop` is exclusive and None means the end

        Returns
        -------
        np.ndarray, float32, shape (n_points or fewer, 2)
            lowest and highest sample over all channels, in sections of equal length

        Raises
        ------
        AudioError
            if the file is missing or damaged
        """
        first = self._first_hit(hit)
        outline = read_outline(self._store.database, first.content_hash)
        if stop is None:
            stop = outline.n_frames if outline else count_frames(first)
        if outline and stop - start >= n_points * outline.section_frames:
            return waveform_outline(outline.part(start, stop), n_points=n_points)
        parts = []
        for at, until, n in _divide(start, stop, n_points):
            audio = decode_sides(first.path, first.mate, start=at, stop=until)
            parts.append(waveform_outline(audio.samples, n_points=n))
        return np.concatenate(parts)

    def n_frames(self, hit: int | str | Path) -> int:
        """Return the length in frames of the whole file of a hit.

        Raises
        ------
        AudioError
            if the file is missing or damaged
        """
        first = self._first_hit(hit)
        outline = read_outline(self._store.database, first.content_hash)
        return outline.n_frames if outline else count_frames(first)

    def move_region(self, hit_id: int, *, start: int, stop: int) -> list[Hit]:
        """Set the region of a stroke in frames; the hit keeps its id, later scans keep the region.

        Returns
        -------
        list of Hit, the strokes of the file after the change

        Raises
        ------
        ParameterError
            if the region overlaps another, lies outside the file, or holds no stroke
        StoreError
            if the hit is not present, or its file has changed since it was scanned
        """
        return move_region(self._store, hit_id, start=start, stop=stop)

    def split_region(self, hit_id: int, *, at: int) -> list[Hit]:
        """Split a stroke, or a finished hit, at a frame; see `move_region`."""
        return split_region(self._store, hit_id, at=at)

    def merge_regions(self, hit_ids: Sequence[int]) -> list[Hit]:
        """Merge neighboring strokes into the first, which keeps its id; see `move_region`."""
        return merge_regions(self._store, hit_ids)

    def events(self, *, states: Sequence[str] = (State.HERE,)) -> list[Hit]:
        """Return the hits that are no single strokes, by id: rolls, swells, loops, noise."""
        hits = self._store.hits.read(states=states, noises=True)
        return [hit for hit in hits if hit.event != Event.STROKE]

    def cut_loop(self, hit: int | str | Path) -> list[Hit]:
        """Cut a performance into its strokes, which later scans keep; see `move_region`."""
        return cut_loop(self._store, self._path_of(hit))

    def reset_regions(self, hit: int | str | Path) -> list[Hit]:
        """Discard the user's changes and segment the file as a scan does; see `move_region`."""
        return reset_regions(self._store, self._path_of(hit))

    def write_strokes(
        self,
        hit: int | str | Path,
        folder: str | Path,
        *,
        dry_run: bool = False,
        no_good: bool = False,
    ) -> list[CutFile]:
        """Write each stroke of a take to its own file, with short fades and a bext chunk.

        Nothing is clipped: recordings that exceed full scale are written as 32-bit float.

        Parameters
        ----------
        hit : int, str or Path
        folder : str or Path, must not exist yet
        dry_run : bool, return the plan and write nothing
        no_good : bool, also strokes that are marked "no-good"

        Returns
        -------
        list of CutFile

        Raises
        ------
        ParameterError
            if the folder exists
        StoreError
            if the recording has changed since it was scanned; no partial folder is left
        """
        strokes = [
            replace(stroke, channels=())  # with all microphones of the file
            for stroke in self.regions(hit)
            if stroke.state == State.HERE and (no_good or stroke.mark != Mark.NO_GOOD)
        ]
        plan = plan_cut_export(strokes, Path(folder).absolute())
        if not dry_run:
            with export_under_way(self._store, Path(folder)):
                write_cut_export(plan)
        return plan

    # Microphones of one file

    def microphones(self, hit_id: int) -> tuple[ChannelDelay, ...]:
        """Return the delay of each channel after the earliest, in ms and as distance in metres.

        Raises
        ------
        AudioError
            if the file is missing or damaged
        """
        hit = self._store.hits.get(hit_id)
        stop = min(hit.stop, hit.start + delay_frames(hit.sr))
        audio = decode_sides(hit.path, hit.mate, start=hit.start, stop=stop)
        return measure_delays(audio.samples, sr=audio.sr)

    def mix(self, hit_id: int) -> str:
        """Return how the channels of a hit's file are mixed: "", "sum", "aligned" or a number."""
        return read_override(self._store, self._store.hits.get(hit_id).content_hash).mix

    def set_mix(self, hit_id: int, mix: str) -> str:
        """Set how the channels of a hit's file are mixed, for all strokes of the file.

        Parameters
        ----------
        hit_id : int
        mix : str
            a channel number from 1, "sum", "aligned" (delay and polarity compensated first), or
            "" for the channels as recorded

        Returns
        -------
        str, a warning if the channels cancel each other, else ""

        Raises
        ------
        ParameterError
            if the mix is unknown
        """
        hit = self._store.hits.get(hit_id)
        mix_file(self._store, hit.path, mix)
        return cancellation_warning(hit, mix)

    # Left and right in two files

    def stereo_pairs(self) -> list[Hit]:
        """Return hits whose left and right channels are two mono files."""
        return [hit for hit in self._store.hits.read(states=(State.HERE,)) if hit.mate is not None]

    def join_stereo_pair(self, left: int, right: int) -> bool:
        """Declare two mono hits to be the channels of one stereo hit; the next scan joins them.

        The left hit keeps its id and its annotations.

        Returns
        -------
        bool, False if that was declared already

        Raises
        ------
        ParameterError
            if they are not two mono files of one rate, width, length and time reference
        """
        hits = self._store.hits
        return join_stereo_pair(self._store, hits.get(left), hits.get(right))

    def split_stereo_pair(self, hit_id: int) -> bool:
        """Declare the two files of a hit to be separate hits; the next scan separates them.

        Returns
        -------
        bool, False if that was declared already

        Raises
        ------
        ParameterError
            if the hit is one file
        """
        return split_stereo_pair(self._store, self._store.hits.get(hit_id))

    # Sessions

    def sessions(self) -> list[Session]:
        """Return all sessions, each with the rule that named it."""
        return list_sessions(self._store)

    def set_session(self, hit_ids: Sequence[int], name: str) -> None:
        """Set the session of hits; "" returns to the automatic name.

        Raises
        ------
        ParameterError
            if the name is too long or holds control characters
        """
        set_session(self._store, check_ids(hit_ids), name)

    # Drum, microphone and damping

    def set_names(
        self,
        hit_ids: Sequence[int],
        *,
        drum: str | None = None,
        microphone: str | None = None,
        damping: str | None = None,
        event: str | None = None,
        whole_take: bool = False,
    ) -> list[Hit]:
        """Set drum, microphone, damping or event of hits, or of all strokes of their takes.

        Parameters
        ----------
        hit_ids : sequence of int
        drum, microphone : str, optional; "" returns to what the name of the file says
        damping : str, optional, "open" or "damped"; "" returns to what the name says
        event : str, optional, one of `catalog.models.EVENTS`; "" returns to what was judged
        whole_take : bool
            all strokes of the files of the hits, and of the other files of a numbered take; only
            the files themselves get the microphone

        Returns
        -------
        list of Hit, as they are now

        Raises
        ------
        ParameterError
            if a name is too long or no plain text, or the damping or the event is unknown
        StoreError
            if a hit is unknown
        """
        given = {"drum": drum, "microphone": microphone, "damping": damping, "event": event}
        names = {field: name for field, name in given.items() if name is not None}
        named = set_names(self._store, hit_ids, names, whole_take=whole_take)
        if drum is not None:
            learn_drums(self._store, lambda: self._context.table().spaces)
        return named

    def _first_hit(self, hit: int | str | Path) -> Hit:
        return self._store.hits.get(hit) if isinstance(hit, int) else self.regions(hit)[0]

    def _path_of(self, hit: int | str | Path) -> Path:
        return self._store.hits.get(hit).path if isinstance(hit, int) else Path(hit).absolute()


def _divide(start: int, stop: int, n_points: int) -> Iterator[tuple[int, int, int]]:
    """Divide a waveform into parts that fit in memory: frames from, frames to, points."""
    n_parts = min(n_points, max(1, -(-(stop - start) // WAVEFORM_FRAMES)))
    edges = [start + (stop - start) * k // n_parts for k in range(n_parts + 1)]
    points = [n_points * k // n_parts for k in range(n_parts + 1)]
    for k in range(n_parts):
        yield edges[k], edges[k + 1], points[k + 1] - points[k]
