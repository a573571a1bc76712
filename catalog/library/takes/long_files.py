"""Long recordings, read in parts: a file or a stereo pair of files, mixed as the user chose."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from catalog.audio.channels import (
    LEAD_S,
    ChannelDelay,
    align_channels,
    measure_delays,
    mix_channels,
)
from catalog.audio.decode import is_streamed, read_header
from catalog.audio.ffmpeg import read_stated_header, read_true_header
from catalog.audio.microphone_channels import ChannelGroup
from catalog.audio.model import MAX_CHANNELS, SR_RANGE_HZ, Audio, Header
from catalog.audio.streamed import StreamReader
from catalog.errors import AudioError
from catalog.features.measures import Measures, Run
from catalog.features.takes.long_take import is_long, measure_long_parts, measure_long_take
from catalog.features.waveform import abs_peak
from catalog.library.scan.stereo_pairs import decode_sides
from catalog.library.strokes.layout import find_microphones

BLOCK_VALUES = 4_000_000  # read at once when the loudest frame is searched
GROUP_VALUES = 12_000_000  # from the beginning, by which channels are grouped to microphones
DELAY_S = 0.2  # from shortly before the loudest frame; more than `measure_delays` reads


@dataclass(frozen=True)
class LongRecording:
    """A long recording on the disk.

    Attributes
    ----------
    path : Path
    mate : Path, optional, the right channel's file
    sr, n_frames, n_channels : int, as recorded
    mix : str, see `catalog.audio.channels.mix_channels`
    delays : tuple of ChannelDelay, those that the mix "aligned" removes
    stream : StreamReader, optional, of a file that is decoded from its beginning
    """

    path: Path
    mate: Path | None
    sr: int
    n_frames: int
    n_channels: int
    mix: str = ""
    delays: tuple[ChannelDelay, ...] = ()
    stream: StreamReader | None = None

    def read(self, start: int, stop: int) -> Audio:
        """Decode the frames `start` to `stop` (exclusive), mixed as the user chose."""
        if self.mix != "aligned":
            return mix_channels(self.read_recorded(start, stop), self.mix)
        lags = [0.0 if np.isnan(d.delay_ms) else d.delay_ms for d in self.delays]
        margin = round(max(lags) / 1000.0 * self.sr) + 1
        audio = self.read_recorded(start, min(self.n_frames, stop + margin))
        aligned = align_channels(audio.samples, self.delays, sr=self.sr)[: stop - start]
        return mix_channels(replace(audio, samples=aligned), "sum")

    def read_recorded(self, start: int, stop: int) -> Audio:
        """Decode the frames `start` to `stop` (exclusive) as they were recorded.

        Raises
        ------
        AudioError
            if the file is damaged or ends before `stop`
        """
        if self.stream is not None:
            audio = self.stream.read(start, stop)
        else:
            audio = decode_sides(self.path, self.mate, start=start, stop=stop)
        if len(audio.samples) < stop - start:  # MP3: its header may declare any length
            raise AudioError(self.path, "ends early: its header declares more audio; copy it again")
        return audio


def long_header(path: Path) -> Header | None:
    """Return the header of a long file; None for a short one, or one that cannot be read so."""
    if not path.is_file() or path.stat().st_size == 0:
        return None
    try:
        header = _read_stream_header(path) if is_streamed(path) else read_header(path)
    except AudioError:
        return None
    low, high = SR_RANGE_HZ
    is_sound = low <= header.sr <= high and header.n_channels <= MAX_CHANNELS
    return header if is_sound and is_long(header.n_frames, header.n_channels) else None


def _read_stream_header(path: Path) -> Header:
    """Return the header of a file that does not state its exact length; it is decoded if long."""
    header = read_stated_header(path)
    is_short = header.n_frames and not is_long(header.n_frames, header.n_channels)
    return header if is_short else read_true_header(path)


def measure_long_file(
    path: Path,
    *,
    header: Header,
    mate: Path | None = None,
    mix: str = "",
    regions: Sequence[tuple[int, int]] | None = None,
    run: Run = map,
) -> tuple[Audio, Measures]:
    """Measure a long file, or a pair of them, as the user's override defines.

    Parameters
    ----------
    path, mate : Path, and the file of the right channel if there is one
    header : Header, of `path`
    mix : str, see `catalog.audio.channels.mix_channels`
    regions : sequence of (start, stop), frames, optional; None detects the strokes
    run : callable, see `catalog.features.measures.Run`

    Returns
    -------
    Audio
        one frame, as recorded
    Measures
        see `catalog.features.takes.long_take.measure_long_take`

    Raises
    ------
    AudioError
        if a file cannot be decoded
    ParameterError
        if it holds no stroke, or has no such channel
    """
    n_channels = header.n_channels if mate is None else 2
    with contextlib.ExitStack() as opened:
        stream = None
        if mate is None and is_streamed(path):  # one process decodes it, part after part
            stream, run = opened.enter_context(contextlib.closing(StreamReader(path))), map
        file = LongRecording(path, mate, header.sr, header.n_frames, n_channels, mix, stream=stream)
        return _measure(file, regions, run=run)


def _measure(
    file: LongRecording, regions: Sequence[tuple[int, int]] | None, *, run: Run
) -> tuple[Audio, Measures]:
    path, mate, mix, n_channels = file.path, file.mate, file.mix, file.n_channels
    if mix == "aligned":
        file = replace(file, delays=_find_delays(file, run))
    recorded = file.read_recorded(0, 1)
    n_mixed = 1 if mix else n_channels
    groups: Sequence[ChannelGroup] = ()
    if mate is None and n_mixed > 1:
        beginning = file.read_recorded(0, min(file.n_frames, GROUP_VALUES // n_channels))
        groups = find_microphones(path, beginning)
    if regions is not None:
        return recorded, measure_long_parts(
            file.read,
            regions,
            n_channels=n_mixed,
            sr=file.sr,
            n_frames=file.n_frames,
            run=run,
            groups=groups,
        )
    measures = measure_long_take(
        file.read, n_frames=file.n_frames, n_channels=n_mixed, sr=file.sr, run=run, groups=groups
    )
    return recorded, replace(measures, outline=None) if mix else measures


def _find_delays(file: LongRecording, run: Run) -> tuple[ChannelDelay, ...]:
    """Measure the delays of the channels at the loudest frame of a recording."""
    step = max(1, BLOCK_VALUES // file.n_channels)
    starts = range(0, file.n_frames, step)
    peaks = list(run(partial(_find_peak, file, step), starts))
    loudest = max(peaks)[1]
    start = max(0, loudest - round(LEAD_S * file.sr))
    audio = file.read_recorded(start, min(file.n_frames, start + round(DELAY_S * file.sr)))
    return measure_delays(audio.samples, sr=file.sr)


def _find_peak(file: LongRecording, n_frames: int, start: int) -> tuple[float, int]:
    """Return the peak over all channels of a block, and its frame."""
    samples = file.read_recorded(start, min(file.n_frames, start + n_frames)).samples
    peak = abs_peak(samples)
    return peak, start + int(np.argmax(np.abs(samples).max(axis=1)))
