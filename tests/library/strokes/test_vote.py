"""The role and the drum of a stroke by its microphones: by the user, a name, a track, the sound."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from catalog.library.strokes.vote import drum_by_track, stroke_role, vote_on_strokes
from catalog.models import ROLES, RoleSource
from tests.duplicates.test_groups import make_hit


def track(name: str, *, file: str = "take 4.wav", source=RoleSource.SOUND, role="other"):
    return make_hit(
        1, path=Path(f"/x/barn/{file}"), microphone=name, channels=(1,), role=role,
        role_source=source, drum="barn", region=1,
    )  # fmt: skip


def heard(**shares: float) -> np.ndarray:
    return np.array([shares.get(role, 0.0) for role in ROLES], np.float32)


@pytest.mark.parametrize(
    ("name", "sound", "role", "drum"),
    [
        ("Snare Top", {"tom": 0.6, "snare": 0.3}, "snare", "Snare"),
        ("Kick In", {"kick": 0.9}, "kick", "Kick"),
        ("Tom 1", {"tom": 0.5, "kick": 0.5}, "tom", "Tom 1"),
        ("Snare Top", {"crash": 0.95, "snare": 0.01}, "crash", None),  # has no track of its own
        ("OH", {"crash": 0.95}, "crash", None),
        ("ch 1", {"tom": 0.6, "snare": 0.3}, "tom", None),
    ],
)
def test_a_track_names_the_role_and_the_drum_unless_the_sound_is_another(name, sound, role, drum):
    hit = track(name)
    found = stroke_role([hit, track("OH")], heard(**sound))
    assert found.role == role
    assert (found.source == RoleSource.NAME) == (drum is not None)
    assert drum_by_track(hit, found.role) == drum


def test_the_name_of_the_file_comes_before_its_tracks():
    hit = track("Snare Top", file="tom 14 gel take 4.wav", source=RoleSource.NAME, role="tom")
    assert stroke_role([hit], heard(snare=0.9)).role == "tom"
    assert drum_by_track(hit, "tom") is None
    assert drum_by_track(track("Snare Top", file="snare 14 gel take 4.wav"), "snare") is None


def test_of_two_files_the_one_that_stands_for_the_stroke_names_it():
    kick, snare = (track("In", source=RoleSource.NAME, role=r) for r in ("kick", "snare"))
    assert [stroke_role(pair, heard(tom=1)).role for pair in ([kick, snare], [snare, kick])] == [
        "kick",
        "snare",
    ]


@pytest.mark.parametrize(
    ("n_alike", "own", "follows"), [(3, 0.5, True), (2, 0.5, False), (3, 0.9, False)]
)
def test_an_unsure_stroke_follows_most_of_at_least_four_of_its_take(n_alike, own, follows):
    snare, tom = (np.eye(len(ROLES), dtype=np.float32)[ROLES.index(r)] for r in ("snare", "tom"))
    odd = own * tom + (1.0 - own) * snare * 0.9
    hits = [make_hit(number, path=Path("/r/take.wav"), region=number) for number in range(1, 5)]
    votes = [0.9 * snare] * n_alike + [odd]
    found = vote_on_strokes([[hit] for hit in hits[: len(votes)]], dict(enumerate(votes, start=1)))
    assert (ROLES[found[-1].argmax()] == "snare") is follows
