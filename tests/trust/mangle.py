"""Damaged sound files; the same seed gives the same damage."""

from __future__ import annotations

import io
import random
import struct

import numpy as np
import soundfile

SR = 44_100  # Hz
KINDS = (
    ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("WAVEX", "PCM_24"), ("RF64", "PCM_24"),
    ("AIFF", "PCM_16"), ("AIFF", "FLOAT"), ("CAF", "PCM_24"), ("AU", "PCM_16"), ("W64", "PCM_16"),
    ("FLAC", "PCM_16"), ("FLAC", "PCM_24"), ("OGG", "VORBIS"), ("OGG", "OPUS"),
    ("MP3", "MPEG_LAYER_III"),
)  # fmt: skip
EXTREME = (
    0, 1, 2, 3, 7, 8, 0x7F, 0xFF, 0x100, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000,
    0xFFFFFFFE, 0xFFFFFFFF,
)  # fmt: skip
SUFFIXES = {"WAVEX": "wav", "RF64": "wav", "W64": "w64", "AIFF": "aif", "OGG": "ogg"}


def make_intact(rng: random.Random) -> tuple[bytes, str]:
    """Return an intact file and its suffix: a short noisy stroke in a random container."""
    container, subtype = rng.choice(KINDS)
    noise_rng = np.random.default_rng(rng.getrandbits(32))
    n_channels = rng.choice((1, 1, 2, 2, 5))
    sr = 48_000 if subtype == "OPUS" else SR
    n = rng.randrange(1, sr // 3)
    fall = np.exp(-np.arange(n) / (0.05 * sr))[:, None]
    shape = n, min(n_channels, 2 if container == "MP3" else 8)
    wave = 0.5 * fall * noise_rng.standard_normal(shape)
    out = io.BytesIO()
    soundfile.write(out, np.clip(wave, -1, 1), sr, format=container, subtype=subtype)
    return out.getvalue(), SUFFIXES.get(container, container.lower())


def mangle(seed: int) -> tuple[bytes, str]:
    """Return the bytes of a damaged file, which may still be readable, and its suffix."""
    rng = random.Random(seed)
    data, suffix = make_intact(rng)
    for _ in range(rng.choice((1, 1, 2, 3, 8))):
        data = rng.choice(DAMAGES)(bytearray(data), rng)
    if rng.random() < 0.08:
        suffix = rng.choice(("wav", "flac", "mp3", "aif", "ogg"))
    return bytes(data), suffix


def cut(data: bytearray, rng: random.Random) -> bytearray:
    """Truncate anywhere, within the header too."""
    return data[: rng.randrange(len(data) + 1) if rng.random() < 0.7 else rng.randrange(64)]


def flip(data: bytearray, rng: random.Random) -> bytearray:
    """Flip single bits anywhere."""
    for _ in range(rng.choice((1, 4, 50)) if data else 0):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    return data


def flip_head(data: bytearray, rng: random.Random) -> bytearray:
    """Change bytes in the header."""
    for _ in range(rng.choice((1, 2, 6)) if data else 0):
        data[rng.randrange(min(len(data), 96))] = rng.randrange(256)
    return data


def put_extreme(data: bytearray, rng: random.Random) -> bytearray:
    """Write a number that is far too large or too small into the header."""
    kind = rng.choice(("<H", "<I", ">H", ">I", "<Q"))
    size = struct.calcsize(kind)
    if len(data) > size:
        at = rng.randrange(min(len(data) - size, 120))
        top = (1 << 8 * size) - 1
        data[at : at + size] = struct.pack(kind, min(rng.choice(EXTREME), top))
    return data


def grow_chunk(data: bytearray, rng: random.Random) -> bytearray:
    """Insert a chunk whose stated size is wrong."""
    word = rng.choice((b"LIST", b"bext", b"iXML", b"cue ", b"fmt ", b"data", b"junk", b"COMM"))
    body = rng.randbytes(rng.randrange(80))
    size = rng.choice((*EXTREME, len(body)))
    at = rng.choice((12, 36, rng.randrange(len(data) + 1)))
    return data[:at] + word + struct.pack("<I", size) + body + data[at:]


def blank(data: bytearray, rng: random.Random) -> bytearray:
    """Overwrite a range with one value."""
    if data:
        at, n = rng.randrange(len(data)), rng.randrange(1, 4000)
        fill = bytes([rng.choice((0, 255, 127))]) * len(data[at : at + n])
        data[at : at + n] = fill
    return data


def double(data: bytearray, rng: random.Random) -> bytearray:
    """Repeat a range, as a broken copy does."""
    at = rng.randrange(len(data) + 1)
    return data[:at] + data[at : at + rng.randrange(2000)] * 2 + data[at:]


def noise(data: bytearray, rng: random.Random) -> bytearray:
    """Replace everything after the first few bytes by noise."""
    return data[: rng.choice((0, 4, 12, 44))] + rng.randbytes(rng.randrange(5000))


DAMAGES = (
    cut, flip, flip_head, flip_head, put_extreme, put_extreme, grow_chunk, blank, double, noise
)  # fmt: skip
