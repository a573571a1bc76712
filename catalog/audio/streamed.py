"""Parts of a file that can only be decoded from its beginning, read mostly in rising order."""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from catalog.audio.decode import check_samples
from catalog.audio.ffmpeg import Stream, open_stream
from catalog.audio.model import Audio
from catalog.errors import AudioError

KEPT_VALUES = 16_000_000  # samples over all channels that stay in memory, 64 MB


class StreamReader:
    """Decode a file once from its beginning, and again only if an early part is wanted later.

    The last `KEPT_VALUES` stay in memory, so that parts that overlap need no second decoding.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = contextlib.ExitStack()
        self._stream: Stream | None = None
        self._blocks: deque[tuple[int, np.ndarray]] = deque()  # first frame, samples
        self._n_decoded = self._n_values = 0

    def read(self, start: int, stop: int) -> Audio:
        """Decode the frames `start` to `stop` (exclusive), fewer if the file ends before.

        Raises
        ------
        AudioError
            if the file is broken or holds no frame from `start` on
        """
        stream = self._open_before(start)
        while self._n_decoded < stop:
            block = next(stream.blocks, None)
            if block is None:
                break
            self._keep(block, start)
        parts = list(self._find(start, stop))
        if not parts:
            raise AudioError(self.path, f"holds no samples from frame {start} on; scan it again")
        container = self.path.suffix[1:].upper()
        audio = Audio(np.concatenate(parts), stream.sr, container, stream.subtype)
        return check_samples(self.path, audio)

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        self._stream = None
        self._blocks.clear()

    def _open_before(self, start: int) -> Stream:
        """Return the stream, opened again if a frame is no longer in memory."""
        if self._stream is not None and (not self._blocks or self._blocks[0][0] <= start):
            return self._stream
        self.close()
        self._n_decoded = self._n_values = 0
        self._stream = self._file.enter_context(open_stream(self.path))
        return self._stream

    def _keep(self, block: np.ndarray, start: int) -> None:
        """Keep a block, and drop the oldest ones that are neither wanted nor fit."""
        self._blocks.append((self._n_decoded, block))
        self._n_decoded += len(block)
        self._n_values += block.size
        while (
            self._n_values > KEPT_VALUES and self._blocks[0][0] + len(self._blocks[0][1]) <= start
        ):
            self._n_values -= self._blocks.popleft()[1].size

    def _find(self, start: int, stop: int) -> Iterator[np.ndarray]:
        for first, block in self._blocks:
            if first < stop and first + len(block) > start:
                yield block[max(0, start - first) : stop - first]
