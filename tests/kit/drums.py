"""Made-up hits for the tests of kits: decaying tones and noise whose loudness is known."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from catalog.audio.model import Audio
from catalog.features.loudness import hit_loudness
from catalog.features.production import PRODUCTION_NAMES
from catalog.kit.fill.fill import Pool
from catalog.models import Hit

SR = 44_100
NAMES_THAT_HURT = ("=cmd|' /C calc'!A0", "+1", "-1+2", "@SUM(A1)", 'a"b,c', "Übungsraum <b>")


def make_hit(hit_id: int, role: str = "snare", **changes: object) -> Hit:
    """One hit; `loudness`, `body` are shorthand for its descriptors."""
    loudness = float(changes.pop("loudness", -20.0))  # type: ignore[arg-type]
    body = float(changes.pop("body", 200.0))  # type: ignore[arg-type]
    parts: dict[str, object] = {
        "id": hit_id, "path": Path(f"/recordings/{role}_{hit_id}.wav"), "start": 0, "stop": 4410,
        "sr": SR, "n_channels": 1, "session": "", "drum": "", "microphone": "", "take": "",
        "role": role, "role_confidence": 1.0, "role_source": "user",
        "descriptors": {"loudness_lkfs": loudness, "body_hz": body}, "container": "WAV",
        "subtype": "PCM_24", "content_hash": f"{hit_id:064x}",
    }  # fmt: skip
    return Hit(**(parts | changes))  # type: ignore[arg-type]


def make_stroke(hit: Hit, *, length_s: float = 0.3, n_channels: int = 1) -> Audio:
    """A decaying noise with a tone, scaled to the loudness of the hit."""
    rng = np.random.default_rng(hit.id)
    time_s = np.arange(round(length_s * hit.sr)) / hit.sr
    wave = 0.3 * rng.standard_normal((len(time_s), n_channels)) + np.sin(
        2 * np.pi * hit.descriptors["body_hz"] * time_s
    ).reshape(-1, 1)
    wave = wave * np.exp(-time_s / 0.03)[:, None]
    wanted = hit.descriptors["loudness_lkfs"] - hit_loudness(wave, sr=hit.sr)
    return Audio((wave * 10 ** (wanted / 20)).astype(np.float32), hit.sr, "WAV", "PCM_24")


def make_pool(roles: dict[str, int], *, seed: int = 0, rooms: int = 2, **changes: object) -> Pool:
    """Hits of each role spread over rooms; the room shifts every production descriptor alike."""
    rng = np.random.default_rng(seed)
    hits, rows = [], []
    for role, count in roles.items():
        for number in range(count):
            room = number % rooms
            body = {"kick": 60.0, "tom": 90.0 * 1.1 ** (number // rooms)}.get(role, 250.0)
            hits.append(make_hit(len(hits), role, body=body, microphone=f"room {room}", **changes))
            rows.append(6.0 * room + rng.normal(size=len(PRODUCTION_NAMES)))
    return Pool(tuple(hits), np.array(rows, dtype=np.float32))


def kit_hits() -> dict[int, Hit]:
    """A kick, three strokes of one snare and an open hat, as long as `make_stroke` makes them."""
    snares = [make_hit(i, loudness=-30.0 + 4 * i, drum="a", session="barn") for i in (1, 2, 3)]
    hits = [make_hit(0, "kick", body=60.0), *snares, make_hit(4, "hat_open")]
    return {hit.id: replace(hit, stop=round(0.3 * SR)) for hit in hits}


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of an exported kit."""
    return json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
