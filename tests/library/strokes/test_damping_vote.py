"""The damping of a stroke: by the user, its microphones' names, or as in the rest of its take."""

from __future__ import annotations

from pathlib import Path

import pytest

from catalog.library.strokes.damping_vote import vote_on_dampings
from tests.duplicates.test_groups import make_hit


def mic(name: str, *, drum: str = "Snare", number: int = 1, **values):
    """Return a stroke of a take through one microphone, by the name of its file."""
    values = {"take": "", "region": number, **values}
    return make_hit(
        number, path=Path(f"/x/barn/{name}.wav"), microphone=name.split()[-1], drum=drum, **values
    )


def vote(*hits) -> str:
    return vote_on_dampings([hits])[0]


def test_the_words_of_any_microphone_count():
    inside = mic("Snare cloth in", drum="Snare cloth")
    assert vote(inside, mic("Snare OH")) == vote(mic("Snare in"), mic("Snare cloth OH")) == "damped"
    assert vote(mic("Snare in"), mic("Snare OH")) == ""


def test_of_two_words_that_contradict_each_other_the_nearest_microphone_decides():
    damped, undamped = mic("Snare cloth in"), mic("Snare open OH")
    assert (vote(damped, undamped), vote(undamped, damped)) == ("damped", "open")


def test_the_name_of_any_file_comes_before_the_folder_of_the_nearest():
    near, far = mic("open snares/Snare in"), mic("open snares/Snare cloth OH")
    assert vote(near, far) == "damped"


def test_what_the_user_gave_to_one_microphone_stands_above_all():
    said = mic("Snare OH", names={"damping": "open"})
    assert vote(mic("Snare cloth in", tags=("muffled",)), said) == "open"


def test_a_tag_of_one_microphone_comes_before_names():
    assert vote(mic("Snare open in"), mic("Snare OH", tags=("towel",))) == "damped"


@pytest.mark.parametrize("other", ["Snare cloth top", "Tom 2 cloth top"])
def test_the_file_of_another_drum_in_the_take_does_not_count(other):
    nearest = mic("Tom 1 in", drum="Tom 1")
    assert vote(nearest, mic(other, drum=other.removesuffix(" top"))) == ""


def test_strokes_of_one_take_have_what_the_others_agree_in():
    tied = (mic("Snare cloth in", drum="Snare cloth"), mic("Snare OH"))
    alone = (mic("Snare OH", number=2),)
    assert vote_on_dampings([tied, alone]) == ["damped", "damped"]
    other = (mic("Snare open top", drum="Snare open", number=3), mic("Snare OH", number=3))
    assert vote_on_dampings([tied, alone, other]) == ["damped", "", "open"]


def test_a_numbered_take_is_one_although_its_files_differ_in_the_drum():
    named = mic("Snare cloth take 3 in", drum="Snare cloth", take="3")
    other = mic("Snare take 3 OH", take="3")
    assert vote_on_dampings([[named], [other]]) == ["damped", "damped"]
    kick, elsewhere = mic("Kick take 3 OH", drum="Kick", take="3"), mic("Snare OH", take="4")
    assert vote_on_dampings([[named], [kick], [elsewhere]]) == ["damped", "", ""]


def test_what_the_user_gave_to_a_stroke_does_not_count_for_others():
    first = mic("Snare OH", names={"damping": "damped"})
    second, third = mic("Snare OH", number=2, tags=("gel",)), mic("Snare OH", number=3)
    assert vote_on_dampings([[first], [second], [third]]) == ["damped", "damped", ""]
