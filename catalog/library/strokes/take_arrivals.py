"""Delay, polarity and spread of the microphones of takes that are in several files.

The files of a take have one clock: they begin together, or their time references tell by how much
they differ. Arrivals are pooled over the strokes of one drum in a take, like those of channels.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from catalog.audio.arrival import LOUDEST, Arrival, measure_arrivals
from catalog.audio.channels import MAX_DELAY_S, WINDOW_S
from catalog.audio.metadata.bext import time_reference
from catalog.errors import AudioError
from catalog.features.faults.take_microphones import find_far_below, find_opposite
from catalog.features.waveform import mix_to_mono
from catalog.library.review.faults import replace_take_faults
from catalog.library.scan.stereo_pairs import decode_sides
from catalog.library.store.store import Store
from catalog.models import Hit, State

LEAD_S = 0.010  # before the earliest onset; regions begin 1 ms before theirs
LENGTH_S = LEAD_S + WINDOW_S + MAX_DELAY_S
Key = tuple[object, ...]
ArrivalRow = tuple[float, int, float, int]  # delay, polarity and spread, hit
_Stroke = tuple[Sequence[Hit], tuple[Arrival, ...]]  # its hits, one a file, and their arrivals


def measure_stored_arrivals(store: Store) -> bool:
    """Measure and store the arrivals of all takes in several files that have none yet.

    What they show of the whole take is stored with the faults of its loudest strokes. Return
    whether any was stored. Takes with a file that cannot be read are left out.
    """
    rows: list[ArrivalRow] = []
    takes: dict[Key, list[_Stroke]] = {}
    for key, strokes in _find_takes(store).items():
        arrivals = _measure_drum(strokes)
        takes.setdefault(key[2:], []).extend((hits, arrivals) for hits in strokes if arrivals)
        rows += [row for hits in strokes for row in _to_rows(hits, arrivals)]
    if not rows:
        return False
    with store.writing() as db:
        db.executemany(
            "UPDATE microphone SET delay_samples = ?, polarity = ?, spread_samples = ?"
            " WHERE hit_id = ?",
            rows,
        )
    for of_take in takes.values():
        _store_faults(store, of_take)
    return True


def _store_faults(store: Store, take: Sequence[_Stroke]) -> None:
    """Store the faults of the microphones of one take, each with the loudest stroke."""
    by_file = list(zip(*(hits for hits, _ in take), strict=True))
    loudest = [max(hits, key=_peak) for hits in by_file]
    opposite = find_opposite([arrivals for _, arrivals in take])
    far_below = find_far_below([_peak(hit) for hit in loudest])
    for hits, hit, *faults in zip(by_file, loudest, opposite, far_below, strict=True):
        found = [f._replace(at_s=round(hit.start / hit.sr, 5)) for f in faults if f is not None]
        replace_take_faults(store, hits, hit.id, found)


def _peak(hit: Hit) -> float:
    return float(10 ** (hit.descriptors.get("peak_db", -np.inf) / 20))


def _find_takes(store: Store) -> dict[Key, list[list[Hit]]]:
    """Return the strokes of each drum of each take to measure, each as one hit for each file."""
    takes: dict[Key, list[list[Hit]]] = {}
    read = store.hits.read(states=(State.HERE,), microphones=True, noises=True)
    by_id = {hit.id: hit for hit in read}
    for main in store.hits.read(states=(State.HERE,)):
        if not main.tied or all(mic.delay_samples is not None for mic in main.tied):
            continue
        members = sorted(main.tied, key=lambda mic: (str(mic.path), mic.channels))
        hits = [by_id[mic.hit_id] for mic in members]
        if _has_one_clock(hits):
            key = (main.drum, main.role, *((hit.path, hit.channels) for hit in hits))
            takes.setdefault(key, []).append(hits)
    return takes


def _has_one_clock(hits: Sequence[Hit]) -> bool:
    """Return whether the files of a stroke are known to begin together or how far apart."""
    is_timed = all(time_reference(hit.origin) for hit in hits)
    return len({hit.sr for hit in hits}) == 1 and (is_timed or all(hit.region for hit in hits))


def _measure_drum(strokes: Sequence[Sequence[Hit]]) -> tuple[Arrival, ...]:
    """Return the arrivals of one drum at the files of a take; none if a file cannot be read."""
    loudest = sorted(strokes, key=lambda hits: -hits[0].descriptors.get("peak_db", -np.inf))
    try:
        beginnings = [_read_beginning(hits) for hits in loudest[:LOUDEST]]
    except AudioError:
        return ()
    return measure_arrivals(beginnings, sr=strokes[0][0].sr)


def _to_rows(hits: Sequence[Hit], arrivals: Sequence[Arrival]) -> list[ArrivalRow]:
    return [
        (at.delay_samples, at.polarity, at.spread_samples, hit.id)
        for hit, at in zip(hits, arrivals, strict=False)
        if np.isfinite(at.delay_samples)
    ]


def _read_beginning(hits: Sequence[Hit]) -> np.ndarray:
    """Return the beginning of a stroke at each microphone, shape (n_frames, n_microphones)."""
    is_timed = all(time_reference(hit.origin) for hit in hits)
    offsets = [time_reference(hit.origin) if is_timed else 0 for hit in hits]
    earliest = min(offset + hit.start for offset, hit in zip(offsets, hits, strict=True))
    first, n = earliest - round(LEAD_S * hits[0].sr), round(LENGTH_S * hits[0].sr)
    beginning = np.zeros((n, len(hits)), np.float32)
    for column, (hit, offset) in enumerate(zip(hits, offsets, strict=True)):
        start = max(0, first - offset)
        audio = decode_sides(hit.path, hit.mate, start=start, stop=first - offset + n)
        picked = [channel - 1 for channel in hit.channels] or slice(None)
        mono = mix_to_mono(audio.samples[:, picked])
        at = start - (first - offset)
        beginning[at : at + len(mono), column] = mono[: n - at]
    return beginning
