"""Takes: their cut, their microphones, and the session they belong to."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from catalog.audio.channels import ChannelDelay
from catalog.library.files.cut_export import CutFile
from catalog.library.metadata.sessions import Session
from catalog.library.store.hits import Store
from catalog.models import Hit, State


class Taking:
    """What `Catalog` does with recordings as they come off the recorder."""

    _store: Store

    # For the page: `regions` gives the strokes of the file that a hit is in, each a `Hit` with
    # `start` and `stop` in frames at `sr`; `waveform` the outline to draw them on; `move_region`,
    # `split_region` and `merge_regions` change the cut and give the strokes as they are then.

    def regions(self, hit: int | str | Path) -> list[Hit]:
        """The strokes of one file, in the order of time.

        Parameters
        ----------
        hit : int, str or Path, a hit's id, or its file

        Returns
        -------
        list of Hit
            one with `region` 0 where the file is a finished hit

        Raises
        ------
        StoreError
            if there is no such hit or no hit of that file
        """
        from catalog.library.files.regions import list_regions

        return list_regions(self._store, self._file(hit))

    def waveform(
        self,
        hit: int | str | Path,
        *,
        n_points: int = 1000,
        start: int = 0,
        stop: int | None = None,
    ) -> np.ndarray:
        """Outline of the file that a hit is in, or of a part of it, for drawing.

        Parameters
        ----------
        hit : int, str or Path
        n_points : int, above 0
        start, stop : int, frames of the file; `stop` is exclusive and None means the end

        Returns
        -------
        np.ndarray, float32, shape (n_points or fewer, 2)
            lowest and highest sample over all channels, in stretches of equal length

        Raises
        ------
        AudioError
            if the file is gone or broken
        """
        from catalog.features.segmentation import outline
        from catalog.library.scan.stereo_pairs import decode_sides

        files = self._any_of(hit)
        audio = decode_sides(files.path, files.mate, start=start, stop=stop)
        return outline(audio.samples, n_points=n_points)

    def n_frames(self, hit: int | str | Path) -> int:
        """Length of the whole file that a hit is in, in frames.

        Raises
        ------
        AudioError
            if the file is gone or broken
        """
        from catalog.library.scan.stereo_pairs import decode_hit

        return len(decode_hit(self._any_of(hit), whole=True).samples)

    def move_region(self, hit_id: int, *, start: int, stop: int) -> list[Hit]:
        """Give a stroke another region, in frames; it keeps its id, and later scans keep the cut.

        Returns
        -------
        list of Hit, the strokes of the file as they are then

        Raises
        ------
        ParameterError
            if the region overlaps another, lies outside the file, or holds no stroke
        StoreError
            if the hit is not there, or its file has changed since it was scanned
        """
        from catalog.library.files.regions import move_region

        return move_region(self._store, hit_id, start=start, stop=stop)

    def split_region(self, hit_id: int, *, at: int) -> list[Hit]:
        """Cut a stroke, or a finished hit, in two at a frame; see `move_region`."""
        from catalog.library.files.regions import split_region

        return split_region(self._store, hit_id, at=at)

    def merge_regions(self, hit_ids: Sequence[int]) -> list[Hit]:
        """Make one stroke of neighbours; the first keeps its id; see `move_region`."""
        from catalog.library.files.regions import merge_regions

        return merge_regions(self._store, hit_ids)

    def cut_again(self, hit: int | str | Path) -> list[Hit]:
        """Forget what was changed by hand and cut the file as a scan does; see `move_region`."""
        from catalog.library.files.regions import reset_regions

        return reset_regions(self._store, self._file(hit))

    def write_strokes(
        self, hit: int | str | Path, folder: str | Path, *, dry_run: bool = False
    ) -> list[CutFile]:
        """Write the strokes of a take as files of their own, with short fades and bext.

        Parameters
        ----------
        hit : int, str or Path
        folder : str or Path, must not exist yet
        dry_run : bool, only say what would be written

        Returns
        -------
        list of CutFile

        Raises
        ------
        ParameterError
            if the folder exists
        StoreError
            if the recording has changed since it was scanned; nothing is left half done
        """
        from catalog.library.files.cut_export import plan_cut_export, write_cut_export

        strokes = [stroke for stroke in self.regions(hit) if stroke.state == State.HERE]
        plan = plan_cut_export(strokes, Path(folder).absolute())
        if not dry_run:
            write_cut_export(plan)
        return plan

    # Microphones of one file

    def microphones(self, hit_id: int) -> tuple[ChannelDelay, ...]:
        """Delay of each channel of a hit after the closest, in ms and metres of sound travel.

        Raises
        ------
        AudioError
            if the file is gone or broken
        """
        from catalog.audio.channels import measure_delays
        from catalog.library.scan.stereo_pairs import decode_hit

        audio = decode_hit(self._store.hit(hit_id))
        return measure_delays(audio.samples, sr=audio.sr)

    def mix(self, hit_id: int) -> str:
        """How the channels of a hit's file are mixed: "", "sum", "aligned" or a channel."""
        from catalog.library.files.overrides import read_override

        return read_override(self._store, self._store.hit(hit_id).content_hash).mix

    def set_mix(self, hit_id: int, mix: str) -> str:
        """Choose how the channels of a hit's file are mixed; kept for the file and all its strokes.

        Parameters
        ----------
        hit_id : int
        mix : str
            a channel's number from 1, "sum", "aligned" (delays and polarity made good first), or
            "" for the channels as recorded

        Returns
        -------
        str, a warning where the mix cancels, "" where it does not

        Raises
        ------
        ParameterError
            if the choice is unknown
        """
        from catalog.library.files.regions import cancellation_warning, mix_file

        hit = self._store.hit(hit_id)
        mix_file(self._store, hit.path, mix)
        return cancellation_warning(hit, mix)

    # Left and right in two files

    def sides(self) -> list[Hit]:
        """Hits whose left and right are two mono files, see `catalog.library.scan.stereo_pairs`."""
        return [hit for hit in self._store.hits(states=(State.HERE,)) if hit.mate is not None]

    def join_sides(self, left: int, right: int) -> None:
        """Say that two mono hits are the left and right of one; the next scan makes them one.

        The left hit keeps its number and what was said of it.

        Raises
        ------
        ParameterError
            if they are not two mono files of one rate, width, length and time reference
        """
        from catalog.library.scan.stereo_pairs import join_sides

        join_sides(self._store, self._store.hit(left), self._store.hit(right))

    def part_sides(self, hit_id: int) -> None:
        """Say that the two files of a hit are hits of their own; the next scan makes them so.

        Raises
        ------
        ParameterError
            if the hit is one file
        """
        from catalog.library.scan.stereo_pairs import part_sides

        part_sides(self._store, self._store.hit(hit_id))

    # Sessions

    def sessions(self) -> list[Session]:
        """All sessions, each with the rule that named it."""
        from catalog.library.metadata.sessions import list_sessions

        return list_sessions(self._store)

    def set_session(self, hit_ids: Sequence[int], name: str) -> None:
        """Say which session hits belong to; "" lets the rules decide again.

        Raises
        ------
        ParameterError
            if the name is too long or holds control characters
        """
        from catalog.library.metadata.sessions import set_session

        set_session(self._store, hit_ids, name)

    def _any_of(self, hit: int | str | Path) -> Hit:
        return self._store.hit(hit) if isinstance(hit, int) else self.regions(hit)[0]

    def _file(self, hit: int | str | Path) -> Path:
        return self._store.hit(hit).path if isinstance(hit, int) else Path(hit).absolute()
