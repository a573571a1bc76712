"""Sound files made bad in many ways, each the same for the same seed."""

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
ABSURD = (
    0, 1, 2, 3, 7, 8, 0x7F, 0xFF, 0x100, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000,
    0xFFFFFFFE, 0xFFFFFFFF,
)  # fmt: skip
ENDINGS = {"WAVEX": "wav", "RF64": "wav", "W64": "w64", "AIFF": "aif", "OGG": "ogg"}


def make_whole(chance: random.Random) -> tuple[bytes, str]:
    """One whole file and its ending: a short noisy stroke in a container of chance."""
    container, subtype = chance.choice(KINDS)
    rng = np.random.default_rng(chance.getrandbits(32))
    n_channels = chance.choice((1, 1, 2, 2, 5))
    sr = 48_000 if subtype == "OPUS" else SR
    n = chance.randrange(1, sr // 3)
    fall = np.exp(-np.arange(n) / (0.05 * sr))[:, None]
    wave = 0.5 * fall * rng.standard_normal((n, min(n_channels, 2 if container == "MP3" else 8)))
    out = io.BytesIO()
    soundfile.write(out, np.clip(wave, -1, 1), sr, format=container, subtype=subtype)
    return out.getvalue(), ENDINGS.get(container, container.lower())


def mangle(seed: int) -> tuple[bytes, str]:
    """Give the bytes of one bad (or by luck still good) file and its ending."""
    chance = random.Random(seed)
    data, ending = make_whole(chance)
    for _ in range(chance.choice((1, 1, 2, 3, 8))):
        data = chance.choice(WAYS)(bytearray(data), chance)
    if chance.random() < 0.08:
        ending = chance.choice(("wav", "flac", "mp3", "aif", "ogg"))
    return bytes(data), ending


def cut(data: bytearray, chance: random.Random) -> bytearray:
    """Cut off at any place, the header too."""
    return data[
        : chance.randrange(len(data) + 1) if chance.random() < 0.7 else chance.randrange(64)
    ]


def flip(data: bytearray, chance: random.Random) -> bytearray:
    """Change single bits anywhere."""
    for _ in range(chance.choice((1, 4, 50)) if data else 0):
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    return data


def flip_head(data: bytearray, chance: random.Random) -> bytearray:
    """Change bytes where headers lie."""
    for _ in range(chance.choice((1, 2, 6)) if data else 0):
        data[chance.randrange(min(len(data), 96))] = chance.randrange(256)
    return data


def put_absurd(data: bytearray, chance: random.Random) -> bytearray:
    """Write a number that asks for far too much, or for nothing, where headers hold numbers."""
    kind = chance.choice(("<H", "<I", ">H", ">I", "<Q"))
    size = struct.calcsize(kind)
    if len(data) > size:
        at = chance.randrange(min(len(data) - size, 120))
        top = (1 << 8 * size) - 1
        data[at : at + size] = struct.pack(kind, min(chance.choice(ABSURD), top))
    return data


def grow_chunk(data: bytearray, chance: random.Random) -> bytearray:
    """Put a chunk with a wrong size of its own into the file."""
    word = chance.choice((b"LIST", b"bext", b"iXML", b"cue ", b"fmt ", b"data", b"junk", b"COMM"))
    body = chance.randbytes(chance.randrange(80))
    size = chance.choice((*ABSURD, len(body)))
    at = chance.choice((12, 36, chance.randrange(len(data) + 1)))
    return data[:at] + word + struct.pack("<I", size) + body + data[at:]


def blank(data: bytearray, chance: random.Random) -> bytearray:
    """Fill a stretch with one value."""
    if data:
        at, n = chance.randrange(len(data)), chance.randrange(1, 4000)
        fill = bytes([chance.choice((0, 255, 127))]) * len(data[at : at + n])
        data[at : at + n] = fill
    return data


def double(data: bytearray, chance: random.Random) -> bytearray:
    """Repeat a stretch, as a broken copy does."""
    at = chance.randrange(len(data) + 1)
    return data[:at] + data[at : at + chance.randrange(2000)] * 2 + data[at:]


def noise(data: bytearray, chance: random.Random) -> bytearray:
    """Nothing but chance behind the first few bytes."""
    return data[: chance.choice((0, 4, 12, 44))] + chance.randbytes(chance.randrange(5000))


WAYS = (cut, flip, flip_head, flip_head, put_absurd, put_absurd, grow_chunk, blank, double, noise)
