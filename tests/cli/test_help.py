"""The help: commands in groups, an example of each, the version, defaults of the user."""

from __future__ import annotations

import io
import json
import re
import shlex
import wave
from array import array

import pytest

from catalog import __version__
from catalog.__main__ import main
from catalog.cli.groups import EXAMPLES, GROUPS
from catalog.cli.parser import make_parser, parse_arguments
from catalog.cli.player import MAX_PEAK, limit_peak
from catalog.config import Config, read_config
from catalog.errors import ParameterError
from catalog.library.files.copy_out import name_copies


def commands() -> set[str]:
    (action,) = (a for a in make_parser()._actions if a.dest == "command")
    return set(action.choices)


def test_every_command_is_in_one_group_and_has_an_example():
    grouped = [name for names in GROUPS.values() for name in names]
    assert sorted(grouped) == sorted(commands()) == sorted(EXAMPLES)


@pytest.mark.parametrize("command", EXAMPLES)
def test_an_example_can_be_parsed(command):
    for part in EXAMPLES[command].split(" | "):
        words = shlex.split(part)
        assert words[0] == "catalog"
        assert parse_arguments(words[1:]).command in (command, "hits")


def test_the_help_lists_the_groups(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    out = capsys.readouterr().out
    assert [line for line in out.splitlines() if line.rstrip(":") in GROUPS] == [
        f"{title}:" for title in GROUPS
    ]
    with pytest.raises(SystemExit):
        main(["mark", "--help"])
    assert "example:\n  catalog mark master 42" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("layers", "no command is named 'layers'; `catalog --help` lists the commands"),
        ("hit", "no command is named 'hit'; did you mean hits? `catalog --help` lists"),
        (
            "hits --lenght ..1s",
            "--lenght: no such option; did you mean --length? `catalog hits --help`",
        ),
        ("mark master 1 --role-is kick", "--role-is: no such option; did you mean --role?"),
        ("takes 1", "1: no such argument; `catalog takes --help` lists the arguments"),
    ],
)
def test_an_unknown_command_or_option_is_named_with_the_nearest(line, words, capsys):
    for options in ([], ["--json"]):
        with pytest.raises(SystemExit) as ended:
            main([*shlex.split(line), *options])
        assert ended.value.code == 2
        out, err = capsys.readouterr()
        assert words in (json.loads(out)["error"] if options else err)


def test_every_condition_of_hits_is_explained(capsys):
    with pytest.raises(SystemExit):
        main(["hits", "--help"])
    out = capsys.readouterr().out
    assert out.startswith("usage: catalog hits [OPTIONS] [HITS ...]\n")
    bare = re.findall(r"^  (--[a-z0-9-]+) [A-Z.,]+$(?!\n {10})", out, re.MULTILINE)
    assert bare == []


def test_the_version_is_printed(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"catalog {__version__}\n"


def test_an_error_is_printed_as_json(tmp_path, capsys):
    assert main(["hits", "--json", "--store", str(tmp_path / "none.sqlite")]) == 2
    out, err = capsys.readouterr()
    assert "there is no store at" in json.loads(out)["error"]
    assert err == ""


@pytest.fixture
def config(monkeypatch, tmp_path):
    path = tmp_path / "config.toml"
    monkeypatch.setattr("catalog.config.config_path", lambda: path)
    return path


def test_defaults_are_read_from_the_users_file(config, tmp_path):
    assert read_config() == Config()
    config.write_text(
        'store = "/data/drums.sqlite"\ncolumns = ["id", "name"]\n[notes]\nsnare = [38, 40]\n'
    )
    assert str(read_config().store) == "/data/drums.sqlite"
    assert read_config().columns == ("id", "name")
    assert read_config().notes == {"snare": (38, 40)}


@pytest.mark.parametrize(
    "text",
    [
        "store = 3",
        "colour = 'red'",
        "store = ",
        'columns = "id"',
        "notes = 36",
        "[notes]\nkick = 200",
    ],
)
def test_a_wrong_file_of_defaults_is_named(config, text):
    config.write_text(text)
    with pytest.raises(ParameterError, match=r"config\.toml"):
        read_config()


def test_a_hit_is_played_at_no_more_than_a_quarter_of_full_scale():
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setparams((1, 2, 8000, 0, "NONE", ""))
        file.writeframes(array("h", [0, 32767, -32768, 100]).tobytes())
    with wave.open(io.BytesIO(limit_peak(out.getvalue()))) as file:
        samples = array("h", file.readframes(4))
    assert max(map(abs, samples)) == round(MAX_PEAK * 32768)
    assert samples[3] == 25  # in proportion


def test_two_files_of_one_name_get_different_names(tmp_path):
    sources = [tmp_path / "a" / "hit.wav", tmp_path / "b" / "Hit.wav", tmp_path / "c" / "other.wav"]
    assert list(name_copies(sources).values()) == ["hit.wav", "Hit (2).wav", "other.wav"]
