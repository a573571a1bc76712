"""Getting hits out of the way through `Catalog` and the command line: kits, reports, undoing."""

from __future__ import annotations

import io
import itertools
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from catalog import Catalog, ParameterError, StoreError
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from catalog.cli.output import format_size
from catalog.cli.parser import parse_arguments
from catalog.kit.model import Kit
from tests.signals import SR, as_frames, drum_stroke

NOTHING = "nothing was changed: it was so already"
NAMES = ("kick_01", "kick_02", "snare_01", "tom_01")


@pytest.fixture
def folder(tmp_path):
    """Four strokes, and the first of them once more."""
    root = tmp_path / "Cellar"
    root.mkdir()
    for number, name in enumerate(NAMES):
        data = encode_wav(as_frames(drum_stroke(60 + 45 * number, seed=number)), sr=SR)
        (root / f"{name}.wav").write_bytes(data)
    (root / "kick_01 (1).wav").write_bytes((root / "kick_01.wav").read_bytes())
    return root


def find(cat, name):
    return next(hit.id for hit in cat.hits() if hit.name == name)


def test_a_hit_in_a_kept_kit_is_set_aside_only_when_that_is_meant(cat, folder):
    kit = cat.fill_kit({"kick": find(cat, "kick_02")}, slots=["kick"])
    cat.kits.save(kit, "evening")
    hit_id = find(cat, "kick_02")
    assert cat.files.kits_using([hit_id, find(cat, "tom_01")]) == {hit_id: ("evening",)}
    with pytest.raises(StoreError, match="in the kit “evening”, which could then not be exported"):
        cat.set_aside([hit_id], reason="test")
    assert (folder / "kick_02.wav").exists()
    cat.set_aside([hit_id], reason="test", even_in_kits=True)
    assert not (folder / "kick_02.wav").exists()


def test_a_copy_that_a_saved_kit_uses_stays_and_the_others_are_moved(cat, call, folder, tmp_path):
    (folder / "snare_01 (1).wav").write_bytes((folder / "snare_01.wav").read_bytes())
    cat.scan([folder], n_jobs=1)
    snare, kick = (
        next(i for group in cat.copies() for i in group.others if name in cat.hit(i).name)
        for name in ("snare_01", "kick_01")
    )
    cat.kits.save(Kit(name="", slots={"snare": (snare,)}), "evening")
    plan = call("set-aside", "--copies")[1]
    assert f"cannot be set aside: hit {snare} is used by the saved kit evening" in plan
    report = tmp_path / "report.txt"
    code, _, err = call("set-aside", "--copies", "--yes", "--report", report)
    assert (code, f"not moved: hit {snare} is used" in err) == (1, True)
    assert [cat.hit(i).state for i in (snare, kick)] == ["here", "aside"]
    assert err.splitlines()[-1] == f"report written to {report}"
    assert call("set-aside", snare, "--yes", "--report", tmp_path / "no.txt")[0] == 2
    assert not (tmp_path / "no.txt").exists()
    assert call("set-aside", "--copies", "--yes", "--even-in-kits")[0] == 0
    assert cat.hit(snare).state == "aside"


def test_the_command_line_names_the_kit_before_anything_moves(cat, call, folder):
    hit_id = find(cat, "kick_02")
    cat.kits.save(cat.fill_kit({"kick": hit_id}, slots=["kick"]), "evening")
    assert f"hit {hit_id} is used by the saved kit evening" in call("set-aside", hit_id)[1]
    code, _, err = call("set-aside", hit_id, "--yes")
    assert (code, (folder / "kick_02.wav").exists()) == (2, True)
    assert "--even-in-kits" in err
    assert call("set-aside", hit_id, "--yes", "--even-in-kits")[0] == 0
    assert not (folder / "kick_02.wav").exists()


def test_hidden_hits_are_in_no_list_no_search_and_no_copies(cat, call):
    (group,) = cat.copies()
    assert call("hide", group.others[0], "--reason", "on the shelf")[0] == 0
    assert cat.copies() == []
    assert group.others[0] not in {m.hit_id for m in cat.similar(find(cat, "tom_01"))}
    (listed,) = json.loads(call("hits", "--state", "hidden", "--json")[1])
    assert (listed["id"], listed["state"]) == (group.others[0], "hidden")
    assert call("unhide", group.others[0])[0] == 0
    assert [g.others for g in cat.copies()] == [group.others]


def test_the_plan_names_the_file_that_stays_and_the_size(cat, call):
    (group,) = cat.copies()
    kept, gone = cat.hit(group.keep), cat.hit(group.others[0])
    size = gone.path.stat().st_size
    assert [format_size(n) for n in (7_005, 12_340_000)] == ["7 kB", "12.3 MB"]
    assert cat.duplicates.keepers([gone.id, kept.id]) == {gone.id: kept.id}
    assert cat.files.size_of([gone.id, gone.id]) == size
    out = call("set-aside", "--copies")[1]
    assert f"would set aside: {gone.path} ({kept.path} stays)" in out
    assert f"they would be moved, {format_size(size)}, to " in out
    assert call("set-aside", "--copies", "--yes")[0] == 0
    code, _, err = call("set-aside", "--copies", "--yes")
    assert (code, "nothing to set aside" in err) == (2, True)


def test_undo_shows_first_and_then_brings_everything_back(cat, call, folder):
    before = {path: path.read_bytes() for path in folder.iterdir()}
    cat.set_aside([find(cat, "tom_01")], reason="test")
    cat.files.hide([find(cat, "snare_01")])
    _, out, _ = call("undo", "--all")
    assert out.count("would undo") == 2
    assert len(cat.hits()) == 3
    assert call("undo", "--all", "--yes")[0] == 0
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
    assert len(cat.hits()) == 5
    assert call("undo")[:2] == (1, "nothing was undone: nothing of that kind is in force\n")


def test_one_step_is_undone_by_the_number_that_history_prints(cat, call):
    cat.set_aside([find(cat, "tom_01"), find(cat, "snare_01")], reason="test")
    cat.files.hide([find(cat, "kick_02")])
    step = json.loads(call("history", "--json")[1])[0]["step"]
    assert f"{step:>6}  " in call("history")[1]
    assert call("history", step)[1].count(f"step {step}  set aside") == 2
    assert call("undo", step, "--yes")[0] == 0
    assert {hit.name for hit in cat.hits()} == {*NAMES, "kick_01 (1)"} - {"kick_02"}


def test_a_file_that_cannot_be_restored_is_listed_and_changes_the_exit_code(cat, call, folder):
    cat.set_aside([find(cat, "tom_01")], reason="test")
    (folder / "tom_01.wav").write_text("another's")
    code, out, _ = call("undo", "--all", "--yes")
    assert code == 1
    assert "not undone" in out
    assert (folder / "tom_01.wav").read_text() == "another's"


def test_the_report_lists_the_outcome_of_each_file(cat, call, tmp_path):
    (group,) = cat.copies()
    kept, gone = cat.hit(group.keep), cat.hit(group.others[0])
    place = tmp_path / "report.txt"
    assert call("set-aside", "--copies", "--report", place)[0] == 0
    assert f"[would be set aside] hit {gone.id}: {gone.path}" in place.read_text("utf-8")
    code, _, err = call("set-aside", "--copies", "--report", place, "--yes")
    assert (code, gone.path.exists()) == (2, True)
    assert "choose a new name for the report" in err
    place.unlink()
    assert call("set-aside", "--copies", "--report", place, "--yes")[0] == 0
    lines = place.read_text("utf-8").splitlines()
    assert any(f"[stays] hit {kept.id}: {kept.path}" in line for line in lines)
    assert any(f"[set aside] hit {gone.id}: {gone.path}" in line for line in lines)
    assert lines[-1] == "set aside: 1"


def test_a_name_cannot_break_the_lines_of_a_report(cat, folder, tmp_path):
    data = (folder / "kick_01.wav").read_bytes()
    (folder / "kick\nsnare\x1b[2J.wav").write_bytes(data)
    cat.scan([folder], n_jobs=1)
    text = cat.duplicates.report(heading="What is there twice")
    assert r"kick\nsnare\x1b[2J.wav" in text
    assert "\x1b" not in text


def test_the_user_chooses_which_file_is_kept(cat, call, folder):
    (group,) = cat.copies()
    (other,) = group.others
    revision = cat.revision()
    assert call("keep", other)[0] == 0
    (now,) = cat.copies()
    assert (now.keep, now.others, now.reason) == (other, (group.keep,), "kept: your choice")
    assert cat.revision() > revision
    assert call("keep", group.keep)[0] == 0
    assert cat.copies()[0].keep == group.keep
    assert call("keep", find(cat, "tom_01"))[0] == 2


def test_a_pair_judged_as_two_recordings_is_not_listed_again(cat, call, folder, tmp_path):
    (group,) = cat.copies()
    assert call("same", group.keep, group.others[0], "--not")[0] == 0
    assert cat.copies() == []
    assert cat.duplicates.doubts() == []
    with Catalog.open(tmp_path / "drums.sqlite") as again:  # remembered in the store
        assert again.copies() == []
    assert call("same", group.keep, group.others[0], "--take-back")[0] == 0
    assert cat.copies() == [group]


def test_a_verdict_holds_when_the_files_move(cat, folder):
    (group,) = cat.copies()
    cat.duplicates.set_verdict(group.keep, group.others[0], False)
    folder.rename(folder.with_name("Attic"))
    cat.scan([folder.with_name("Attic")], n_jobs=1)
    assert cat.copies() == []


def all_pairs(points):
    return np.array(list(itertools.combinations(range(len(points)), 2)))


def test_an_uncertain_pair_is_listed_and_becomes_a_group_by_verdict(cat, call, monkeypatch):
    from catalog.duplicates import groups as duplicates
    from catalog.library.store.records.cache import Decision, DecisionCache

    first, second = find(cat, "snare_01"), find(cat, "tom_01")
    real = DecisionCache.get

    def leave_open(decisions, a, b):
        if {a.id, b.id} == {first, second}:
            return Decision("not sure", 1 - 10**-1.3, 0.0)
        return real(decisions, a, b)

    monkeypatch.setattr(DecisionCache, "get", leave_open)
    monkeypatch.setattr(duplicates, "find_candidate_pairs", all_pairs)
    n_groups = len(cat.copies())
    (doubt,) = cat.duplicates.doubts()
    assert {doubt.first, doubt.second} == {first, second}
    assert doubt.evidence == pytest.approx(1 - 10**-1.3)
    assert doubt.certainty == "doubt"
    assert "pairs without a verdict: 1" in call("doubts")[1]
    cat.duplicates.set_verdict(first, second, True)
    assert cat.duplicates.doubts() == []
    groups = cat.copies()
    assert len(groups) == n_groups + 1
    assert {first, second} in [{g.keep, *g.others} for g in groups]


def test_a_report_that_cannot_be_written_leaves_every_file_in_place(cat, call, tmp_path):
    code, out, err = call("set-aside", "--copies", "--yes", "--report", tmp_path / "no" / "r.txt")
    assert (code, out) == (1, "")
    assert "r.txt" in err
    assert cat.history() == []


def test_a_move_that_fails_leaves_no_report(cat, call, tmp_path, folder):
    (group,) = cat.copies()
    report = tmp_path / "report.txt"
    cat.kits.save(Kit(slots={"snare": (group.others[0],)}), "evening")
    assert call("set-aside", "--copies", "--yes", "--report", report)[0] == 2
    assert not report.exists()
    assert cat.history() == []


def break_by_deletion(keep: Path) -> None:
    keep.unlink()


def break_by_noise(keep: Path) -> None:
    """Overwrite a file with other bytes, its size and times unchanged."""
    status = keep.stat()
    keep.write_bytes(os.urandom(status.st_size))
    os.utime(keep, ns=(status.st_atime_ns, status.st_mtime_ns))


@pytest.mark.parametrize("damage", [break_by_deletion, break_by_noise])
def test_a_copy_stays_when_the_file_to_keep_is_damaged(cat, call, damage):
    (group,) = cat.copies()
    copies = [cat.hit(hit_id).path for hit_id in group.others]
    damage(cat.hit(group.keep).path)
    code, _, err = call("set-aside", "--copies", "--yes")
    assert code == 1
    assert "which would be kept" in err
    assert all(path.exists() for path in copies)
    assert cat.history() == []


def test_one_file_under_two_names_is_never_moved(tmp_path):
    (tmp_path / "disk").mkdir()
    library = tmp_path / "library"
    library.mkdir()
    data = encode_wav(as_frames(drum_stroke(200, seed=3)), sr=SR)
    (tmp_path / "disk" / "snare 1.wav").write_bytes(data)
    os.link(tmp_path / "disk" / "snare 1.wav", library / "snare one.wav")
    with Catalog.open(tmp_path / "names.sqlite") as cat:
        cat.scan([tmp_path / "disk", library], n_jobs=1)
        (group,) = cat.copies()
        faults = cat.duplicates.keeper_faults(group.others)
        assert set(faults) == set(group.others)
        assert "the same file" in faults[group.others[0]]


def test_a_command_that_changes_nothing_reports_that(cat, call):
    first, second = find(cat, "kick_02"), find(cat, "tom_01")
    for command in (
        ["role", "clap", first],
        ["mark", "master", first],
        ["tag", first, "--add", "dry", "--remark", "felt"],
        ["session", "winter", first],
        ["same", first, second, "--not"],
        ["same", first, second, "--take-back"],
    ):
        assert call(*command)[0] == 0
        code, out, err = call(*command)
        assert (code, err) == (0, NOTHING + "\n")
        assert out
    assert call("mark", "none", second)[::2] == (0, NOTHING + "\n")
    assert call("undo", "--all", "--yes")[:2] == (
        1, "nothing was undone: nothing of that kind is in force\n"
    )  # fmt: skip
    assert call("undo", "--all")[0] == 1


def test_a_change_of_a_kit_without_effect_reports_that(call):
    for command in (
        ["fill", "--slots", "kick,snare", "--save", "evening", "--yes"],
        ["adjust", "evening", "kick", "--level", "-2", "--tune", "1"],
    ):
        assert call(*command)[0] == 0
        code, out, err = call(*command)
        assert (code, err) == (0, NOTHING + "\n")
        assert out
    assert call("adjust", "evening", "kick", "--level", "-3")[0] == 0
    assert call("rename-kit", "evening", "evening")[::2] == (0, NOTHING + "\n")
    assert call("rename-kit", "none", "none")[0] == 2
    assert call("tune", "evening")[0] == 0
    assert call("tune", "evening", "--yes")[::2] == (0, NOTHING + "\n")
    code, _, err = call("swap", "evening", "snare")
    assert (code, "slot snare has no other hit" in err) == (1, True)
    assert call("rename-kit", "evening", "night")[0] == 0


def test_a_choice_of_a_copy_without_effect_reports_that(cat, call):
    (group,) = cat.copies()
    assert call("keep", group.others[0])[0] == 0
    assert call("keep", group.others[0])[::2] == (0, NOTHING + "\n")


def test_annotations_of_a_copy_go_to_the_file_that_stays_until_it_is_restored(cat, call):
    (group,) = cat.copies()
    keep, other = group.keep, group.others[0]
    cat.annotations.annotate([keep], remark="own")
    cat.annotations.annotate([other], mark="master", add=["felt"], remark="soft")
    cat.set_role(other, "clap")
    before = cat.hit(keep)
    assert f"noted of hit {other} would be copied to hit {keep}" in call("set-aside", other)[1]
    assert cat.hit(keep) == before
    for restore in (lambda: cat.restore([other]), cat.files.undo):
        cat.set_aside([other], reason="copy")
        hit = cat.hit(keep)
        assert (hit.mark, hit.tags, hit.remark) == ("master", ("felt",), "own")
        assert (hit.role, hit.role_source) == ("clap", "user")
        restore()
        assert cat.hit(keep) == before
    cat.set_aside([other], reason="copy")
    cat.annotations.annotate([keep], mark="no-good")
    cat.restore([other])
    assert (cat.hit(keep).mark, cat.hit(keep).tags) == ("no-good", ())


KILLED_BEFORE_HAND_OVER = """
import os, sys
from catalog import Catalog
from catalog.services import files
files.hand_over = lambda *_: os._exit(9)
with Catalog.open(sys.argv[1]) as cat:
    cat.set_aside([int(sys.argv[2])], reason="copy")
"""


def test_annotations_of_a_copy_reach_the_file_that_stays_though_the_program_was_killed(cat):
    (group,) = cat.copies()
    cat.annotations.annotate([group.others[0]], mark="master", remark="soft")
    path, keep, other = cat.store_path, group.keep, group.others[0]
    cat.close()
    code = [sys.executable, "-c", KILLED_BEFORE_HAND_OVER, str(path), str(other)]
    assert subprocess.run(code, check=False).returncode == 9
    with Catalog.open(path) as again:
        assert again.hit(other).state == "aside"
        assert (again.hit(keep).mark, again.hit(keep).remark) == ("master", "soft")
        again.annotations.annotate([keep], remark="of later")
    with Catalog.open(path) as again:  # which carries the plan out once only
        assert again.hit(keep).remark == "of later"
        again.restore([other])
        assert (again.hit(keep).mark, again.hit(keep).remark) == ("", "of later")


def test_what_is_set_aside_already_is_named_and_left(cat, call):
    hit_id = find(cat, "tom_01")
    assert call("set-aside", hit_id)[0] == 0
    cat.set_aside([hit_id], reason="test")
    code, out, err = call("set-aside", hit_id)
    assert (code, out) == (0, "")
    assert err == f"hit {hit_id} (tom_01) is set aside already\n{NOTHING}\n"


def test_a_scan_of_a_folder_without_audio_reports_that(call, tmp_path):
    (tmp_path / "empty").mkdir()
    code, _, err = call("scan", tmp_path / "empty", "--jobs", "1")
    assert (code, "no audio file was found" in err) == (1, True)


@pytest.mark.parametrize("way", ["deleted", "replaced"])
def test_a_store_that_is_lost_during_a_scan_is_reported(folder, tmp_path, way, monkeypatch, capsys):
    path = tmp_path / "lost.sqlite"

    def lose(bar, progress):
        if progress.step == "measuring" and path.exists() and not lost:
            lost.append(path.rename(tmp_path / "elsewhere"))
            if way == "replaced":
                Catalog.open(path).close()

    lost = []
    monkeypatch.setattr("catalog.cli.output.ProgressBar.__call__", lose)
    assert main(["scan", str(folder), "--jobs", "1", "--store", str(path)]) == 1
    captured = capsys.readouterr()
    assert "another program deleted, moved or replaced it while it was open" in captured.err
    assert "added" not in captured.out
    assert lost


def test_no_file_moves_when_the_store_is_lost(cat, folder, tmp_path):
    (tmp_path / "drums.sqlite").rename(tmp_path / "elsewhere")
    with pytest.raises(StoreError, match="deleted, moved or replaced it"):
        cat.set_aside([find(cat, "tom_01")], reason="x")
    assert (folder / "tom_01.wav").exists()
    assert not (tmp_path / "drums.sqlite").exists()


def test_a_kept_copy_is_named_by_a_query_or_from_a_pipe(cat, call, monkeypatch):
    (group,) = cat.copies()
    other, name = group.others[0], cat.hit(group.others[0]).path
    assert call("keep", f"name:{name}")[0] == 1  # asked for, and nobody to answer
    assert call("keep", f"name:{name}", "--yes")[0] == 0
    assert cat.copies()[0].keep == other
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{group.keep}\n"))
    assert call("keep", "-")[0] == 0
    assert cat.copies()[0].keep == group.keep
    assert call("keep", group.keep, other)[::2] == (
        2, f"catalog: hits {group.keep} and {other} are copies; keep one of them\n"
    )  # fmt: skip
    cat.undo()
    assert cat.copies()[0].keep == other


def test_a_verdict_on_several_hits_holds_for_each_pair_and_is_one_act(cat, call):
    ids = [find(cat, name) for name in NAMES[1:]]
    code, out, _ = call("same", *ids, "--not")
    assert (code, out.count("two recordings")) == (0, 3)
    answers = cat.context.store.pair_answers.read()
    assert sum(not same for same in answers.values()) == 3
    assert [act.verb for act in cat.undo().acts] == ["verdict"]
    assert cat.context.store.pair_answers.read() == {}
    assert call("same", "name:*", "--not")[0] == 1  # asked for, and nobody to answer
    assert call("same", ids[0])[0] == 2


def test_mixes_are_looked_for_among_the_hits_of_a_query(cat, call, monkeypatch):
    looked_at = []
    monkeypatch.setattr(cat.duplicates, "mixes", lambda ids=None: looked_at.append(ids) or [])
    hit_id = find(cat, "tom_01")
    for arguments in ([], [hit_id], ["name:*tom_01"]):
        assert mixes_of(cat, arguments) == 0
    assert looked_at == [None, [hit_id], [hit_id]]


def mixes_of(cat, arguments) -> int:
    args = parse_arguments(["mixes", *map(str, arguments)])
    args.json = False
    return args.run(cat, args)


@pytest.mark.parametrize(
    "act",
    [
        lambda cat, ids: cat.set_aside(ids, reason="x"),
        lambda cat, ids: cat.files.hide(ids),
        lambda cat, ids: cat.files.unhide(ids),
        lambda cat, ids: cat.annotations.mark(ids, "master"),
        lambda cat, ids: cat.annotations.tag(ids, add="dry"),
        lambda cat, ids: cat.annotations.annotate(ids, add="dry"),
        lambda cat, ids: cat.takes.set_session(ids, "winter"),
    ],
)
def test_what_are_no_numbers_of_hits_is_refused_with_an_example(cat, act):
    for ids in (1, "12", ["1"], [1.5], None):
        with pytest.raises(ParameterError, match=r"must be (whole )?numbers of hits, such as"):
            act(cat, ids)
    assert cat.files.acts() == []


def test_the_number_of_one_hit_is_no_text(cat):
    for call_with in (cat.hit, cat.alternates, cat.duplicates.related):
        with pytest.raises(ParameterError, match=r"\['1'\] must be whole numbers of hits"):
            call_with("1")
