"""Ties between microphones of one stroke, and contradictions in level and arrival time."""

from __future__ import annotations

from pathlib import Path

import pytest

from catalog.library.metadata.filename import find_provenance
from catalog.library.strokes.ties import tie_strokes
from catalog.models import Hit
from tests.duplicates.test_groups import make_hit as make_any_hit

MICROPHONES = ("OHL", "OHR", "Room")


def make_hit(hit_id: int, path: str, *, level: float = -20.0, **changes) -> Hit:
    found = find_provenance(Path(path), root=Path("/x"))
    fields = {"path": Path(path), "start": 441, "stop": 20_000, "sr": 44_100}
    fields |= {name: getattr(found, name) for name in ("session", "drum", "microphone", "take")}
    descriptors = {"loudness_lkfs": level}
    return make_any_hit(hit_id, descriptors=descriptors, **(fields | changes))


def test_a_hit_in_two_files_is_tied_like_any_other():
    files = {mic: Path(f"/x/barn/Snare/3-Snare-{mic}.wav") for mic in MICROPHONES}
    both = find_provenance(files["OHL"], root=Path("/x"), mate=files["OHR"])
    pair = make_hit(1, str(files["OHL"]), mate=files["OHR"], microphone=both.microphone)
    room, other = make_hit(2, str(files["Room"])), make_hit(3, "/x/barn/Snare/4-Snare-Room.wav")
    assert [tie.hits for tie in tie_strokes([pair, room, other])] == [(1, 2)]


def kit(pattern: str, n: int = 6, **more) -> list[Hit]:
    """Strokes 1 to n of two drums through three microphones, each a bit louder."""
    hits = []
    for drum in ("Snare", "Tom1"):
        for stroke in range(1, n + 1):
            for number, mic in enumerate(MICROPHONES):
                path = pattern.format(drum=drum, n=stroke, mic=mic)
                level = -30.0 + stroke - 6.0 * number
                hits.append(make_hit(len(hits) + 1, path, level=level, **more))
    return hits


PATTERNS = (
    "/x/barn/{drum}/{n}-{drum}-{mic}.wav",
    "/x/barn/{drum}_{n:02d}_{mic}.wav",
    "/x/barn/{drum} {mic} {n}.wav",
    "/x/barn/{mic}/{drum} {n} {mic}.flac",
)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_names_that_differ_only_in_the_microphone_are_one_stroke(pattern):
    hits = kit(pattern)
    ties = tie_strokes(hits)
    assert [tie.hits for tie in ties] == [(i, i + 1, i + 2) for i in range(1, len(hits), 3)]
    assert {tie.evidence for tie in ties} == {"names that differ only in the microphone"}
    assert not any(tie.against for tie in ties)


def test_names_without_a_number_or_microphone_are_not_tied():
    paths = ("/x/a/snare OHL.wav", "/x/a/snare OHR.wav", "/x/a/tom 1.wav", "/x/a/tom 2.wav")
    assert tie_strokes([make_hit(i, path) for i, path in enumerate(paths)]) == []


def test_the_same_names_of_two_sessions_are_two_strokes():
    hits = [make_hit(i, f"/x/{s}/snare 1 {m}.wav") for i, (s, m) in
            enumerate((("barn", "OHL"), ("cellar", "OHR")))]  # fmt: skip
    assert tie_strokes(hits) == []


def test_the_same_moment_of_one_take_ties_files_of_any_name():
    rows = (("Kick", "3", 158760000), ("OH", "3", 158760441), ("OH", "3", 158848200),
            ("OH", "4", 158760000))  # fmt: skip
    hits = [
        make_hit(i, f"/x/a/REC000{i}.wav", microphone=microphone, take=take,
                 origin={"time_reference": str(sample)})
        for i, (microphone, take, sample) in enumerate(rows, start=1)
    ]  # fmt: skip
    (tie,) = tie_strokes(hits)
    assert (tie.hits, tie.evidence) == ((1, 2), "the same take at the same moment")


def test_overlapping_regions_of_one_file_are_one_stroke():
    path = "/x/a/take.wav"
    hits = [
        make_hit(1, path, microphone="Kick", start=1000, stop=9000),
        make_hit(2, path, microphone="OH", start=1100, stop=9000),
        make_hit(3, path, microphone="Kick", start=20_000, stop=29_000),
    ]
    (tie,) = tie_strokes(hits)
    assert (tie.hits, tie.evidence) == ((1, 2), "one file with several microphones")


def test_an_inconsistent_level_contradicts_the_tie():
    hits = kit(PATTERNS[0])
    odd = make_hit(1, str(hits[0].path), level=-5.0)
    ties = tie_strokes([odd, *hits[1:]])
    assert [bool(tie.against) for tie in ties] == [True] + [False] * 11
    assert "weaker than in other strokes" in ties[0].against[0]


def test_an_impossible_arrival_time_contradicts_the_tie():
    hits = kit(PATTERNS[0])
    late = make_hit(2, str(hits[1].path), level=hits[1].descriptors["loudness_lkfs"], start=2646)
    ties = tie_strokes([hits[0], late, *hits[2:]])
    assert ties[0].against[0].startswith("OHR against OHL: +50 ms off its usual arrival")
    far = [make_hit(h.id, str(h.path), start=441 + 2205 * (h.microphone == "Room")) for h in hits]
    # 50 ms at 343 m/s in air of 20 degrees: 17 m
    assert all("17 m of air" in " ".join(tie.against) for tie in tie_strokes(far))


def test_files_that_start_at_different_times_are_compared_by_their_time_references():
    hits = []
    for stroke in range(6):
        for number, mic in enumerate(MICROPHONES):
            begin = 44_100 * number  # recorders were started one after the other
            at = 441_000 + 88_200 * stroke + 200 * number
            origin = {"time_reference": str(158_760_000 + begin)}
            fields = {"start": at - begin, "origin": origin, "take": "3", "drum": "Snare"}
            fields |= {"region": stroke + 1, "microphone": mic, "session": "barn"}
            hits.append(make_hit(len(hits) + 1, f"/x/a/REC_{mic}.wav", **fields))
    ties = tie_strokes(hits)
    assert [len(tie.hits) for tie in ties] == [3] * 6
    assert not any(tie.against for tie in ties)
