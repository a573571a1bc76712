from __future__ import annotations

import re
import struct
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from catalog.audio.encode import encode_wav
from catalog.audio.metadata.bext import recording_date
from catalog.audio.metadata.chunks import MAX_TEXT, walk_chunks
from catalog.library.metadata.filename import (
    Provenance,
    find_provenance,
    read_chunks,
    read_name,
    session_folder,
)

AUDIO = encode_wav(np.linspace(-0.5, 0.5, 100, dtype=np.float32)[:, None], sr=48_000)


def chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def riff(*chunks: bytes, head: bytes = b"RIFF") -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return head + struct.pack("<I", len(body)) + body


def bext(description: str) -> bytes:
    text = description.encode().ljust(256, b"\0")
    return chunk(b"bext", text + b"recorder".ljust(32, b"\0") + b"\0" * (602 - 288))


def info(comment: bytes) -> bytes:
    return chunk(b"LIST", b"INFO" + chunk(b"INAM", b"a title") + chunk(b"ICMT", comment))


def ixml(inner: str) -> bytes:
    return chunk(b"iXML", f'<?xml version="1.0"?><BWFXML>{inner}</BWFXML>'.encode())


@pytest.fixture
def read(tmp_path):
    def read_bytes(data: bytes) -> Provenance:
        path = tmp_path / "x.wav"
        path.write_bytes(data)
        return read_chunks(path)

    return read_bytes


FMT_AND_DATA = AUDIO[12:]


def test_keys_in_the_description_set_session_and_take(read):
    found = read(riff(bext("sSESSION=Boat shed\r\nsTAKE=07\r\nzNOTE=felt inside"), FMT_AND_DATA))
    assert (found.session, found.take, found.note) == ("Boat shed", "7", "felt inside")


def test_a_description_without_its_keys_is_the_note(read):
    keys = "session=Boat shed; take=3; mic=room"
    assert read(riff(bext(keys), FMT_AND_DATA)).note == ""
    assert read(riff(bext(f"{keys}; towel on top"), FMT_AND_DATA)).note == "towel on top"


def test_ixml_sets_project_take_note_and_the_only_track(read):
    text = (
        "<PROJECT>Mill, spring</PROJECT><SCENE>snare</SCENE><TAKE>3</TAKE>"
        "<NOTE>loose &amp; low</NOTE>"
        "<TRACK_LIST><TRACK><CHANNEL_INDEX>1</CHANNEL_INDEX><NAME>under</NAME></TRACK></TRACK_LIST>"
    )
    found = read(riff(FMT_AND_DATA, ixml(text)))
    origin = {
        "project": "Mill, spring", "scene": "snare", "take": "3", "note": "loose & low",
        "tracks": "under",
    }  # fmt: skip
    assert found == Provenance("Mill, spring", "", "under", "3", "loose & low", origin=origin)


def test_ixml_counts_before_bext_and_bext_before_info(read):
    chunks = [info(b"session: three"), bext("session=two"), ixml("<PROJECT>one</PROJECT>")]
    assert read(riff(*chunks[:1], FMT_AND_DATA)).session == "three"
    assert read(riff(*chunks[:2], FMT_AND_DATA)).session == "two"
    assert read(riff(*chunks, FMT_AND_DATA)).session == "two"  # "session" is plainer than a project


def test_several_tracks_set_no_microphone(read):
    tracks = "".join(f"<TRACK><NAME>{n}</NAME></TRACK>" for n in ("left", "right"))
    assert read(riff(ixml(f"<TRACK_LIST>{tracks}</TRACK_LIST>"), FMT_AND_DATA)).microphone == ""


def test_flac_comments_are_read(tmp_path):
    path = tmp_path / "x.flac"
    with soundfile.SoundFile(path, "w", 44_100, 1, "PCM_16") as file:
        file.comment = "session=Old forge; take=2"
        file.write(np.zeros(100))
    found = read_chunks(path)
    assert (found.session, found.take) == ("Old forge", "2")


ENTITIES = (
    '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
    "<BWFXML><NOTE>&b;</NOTE></BWFXML>"
)


@pytest.mark.parametrize(
    "text", ["<BWFXML><PROJECT>x</PRO", "", "\0\0\0", "no xml at all", "<BWFXML/>", ENTITIES]
)
def test_broken_xml_and_xml_with_entities_are_ignored(read, text):
    assert read(riff(FMT_AND_DATA, chunk(b"iXML", text.encode()))) == Provenance()


def test_text_is_bounded_and_free_of_control_characters(read):
    found = read(riff(info(b"\x1b[31mred\x07\r\n " + b"x" * 5_000), FMT_AND_DATA))
    assert found.note.startswith("[31mred x")
    assert len(found.note) <= MAX_TEXT
    assert found.note.isprintable()


def test_text_that_is_not_utf_8_is_read_as_latin_1(read):
    assert read(riff(info("gedämpft".encode("latin-1")), FMT_AND_DATA)).note == "gedämpft"


def test_a_wrong_chunk_size_ends_the_parsing(tmp_path):
    path = tmp_path / "lies.wav"
    path.write_bytes(b"RIFF\xff\xff\xff\xffWAVE" + b"bext\xff\xff\xff\x7fshort")
    with path.open("rb") as file:
        assert list(walk_chunks(file)) == [(b"bext", b"short")]


def test_chunks_after_the_audio_of_an_rf64_file_are_found(tmp_path):
    path = tmp_path / "long.wav"
    data = b"\x01\x02" * 50
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, len(data), 0, 0))
    audio = b"data\xff\xff\xff\xff" + data
    path.write_bytes(riff(ds64, audio, bext("behind"), head=b"RF64"))
    assert read_chunks(path).note == "behind"


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    data=st.binary(max_size=400), head=st.sampled_from([b"", AUDIO[:44], b"fLaC", riff(bext("a"))])
)
def test_any_bytes_are_parsed_without_an_exception(tmp_path, data, head):
    path = tmp_path / "any.wav"
    path.write_bytes(head + data)
    assert isinstance(read_chunks(path), Provenance)


def test_a_missing_file_has_empty_provenance(tmp_path):
    assert read_chunks(tmp_path / "gone.wav") == Provenance()


@pytest.mark.parametrize(
    ("name", "drum", "microphone", "stroke"),
    [
        ("1-Tom1-AmbL", "Tom1", "AmbL", 1),
        ("12-HihatClosed-Hihat", "HihatClosed", "Hihat", 12),
        ("3-Snare-Snare_bottom", "Snare", "Snare bottom", 3),
        ("2-RideLBell-RideL", "RideLBell", "RideL", 2),
        ("snare_hard_03", "snare", "", 3),
        ("snare_03_hard", "snare", "", 3),
        ("kick_v2_rr3_in", "kick", "in", 3),
        ("Kick-Soft", "Kick", "", 0),
        ("BrassSnareHard02", "BrassSnare", "", 2),
        ("floor tom damped 04 oh left", "floor tom damped", "oh left", 4),
        ("Crash open (5)", "Crash open", "", 5),
        ("tom_take2_01", "tom", "", 1),
        ("Tom 2 - 07", "Tom 2", "", 7),
        ("7-Tom 2-OHL", "Tom 2", "OHL", 7),
        ("snare_2", "snare", "", 2),
        ("OHL", "OHL", "", 0),
        ("Kick1 open T Head", "Kick1 open T", "Head", 0),
        ("kick_v2_port_03", "kick", "port", 3),
        ("KickIn_04", "Kick", "In", 4),
        ("snaretop-12", "snare", "top", 12),
        ("Snare Batter 2", "Snare", "Batter", 2),
        ("snare_reso_soft", "snare", "reso", 0),
        ("cajon_slap_vl2_rr1_cnd", "cajon slap", "cnd", 1),
        ("Snare ribbon 3", "Snare", "ribbon", 3),
        ("Snare take2 Ovhd L", "Snare", "Ovhd L", 2),
        ("SideStick-Softest", "SideStick", "", 0),
        ("041_tom_41_a_v1", "tom 41 a", "", 1),  # a key of the General MIDI percussion map
        ("05_Snare_05", "Snare", "", 5),
    ],
)
def test_names_are_parsed_into_drum_microphone_and_stroke(name, drum, microphone, stroke):
    found = read_name(Path(f"/music/{name}.wav"))
    assert (found.drum, found.microphone, found.stroke) == (drum, microphone, stroke)


@given(name=st.text(st.characters(exclude_characters="/\0", codec="utf-8"), min_size=1))
def test_any_name_is_parsed_without_an_exception(name):
    found = read_name(Path("/x") / name)
    assert found.drum
    assert found.stroke >= 0


def test_the_strokes_of_one_drum_share_its_name():
    drums = {read_name(Path(f"/x/snare_{layer}_{n:02}.wav")).drum for layer in ("soft", "hard")
             for n in range(1, 9)}  # fmt: skip
    assert drums == {"snare"}
    assert read_name(Path("/x/Tom1_01.wav")).drum != read_name(Path("/x/Tom2_01.wav")).drum


def test_a_name_of_only_a_counter_takes_the_name_of_its_folder():
    assert read_name(Path("/x/Floor tom/07.wav")).drum == "Floor tom"
    assert read_name(Path("/x/Floor tom/07.wav")).stroke == 7


@pytest.mark.parametrize(
    ("path", "session"),
    [
        ("lib/Barn 2024/Snare/01.wav", "Barn 2024"),
        ("lib/Barn 2024/Floor Tom 2/soft/01.wav", "Barn 2024"),
        ("lib/Barn 2024/Kick/OH left/01.wav", "Barn 2024"),
        ("lib/2024-03-01/Tom4/01.wav", "2024-03-01"),
        ("lib/kit/SnareRest/1-SnareRest-OHL.wav", "kit"),
        ("lib/Snare day/snare_01.wav", "Snare day"),
        ("lib/Cellar snares/snare 14a basic/sn_01.wav", "Cellar snares"),
        ("lib/Cellar snares/snare coated/sn_01.wav", "Cellar snares"),
        ("lib/Cellar/kick 22 with pillow/01.wav", "Cellar"),
        ("lib/Cellar/snare evening/01.wav", "Cellar/snare evening"),
        ("lib/Cellar/snare 2024 evening/01.wav", "Cellar/snare 2024 evening"),
        ("lib/snare 14a basic/sn_01.wav", "snare 14a basic"),
        ("lib/Snare/01.wav", "lib"),
        ("lib/01.wav", "lib"),
    ],
)
def test_the_session_is_the_nearest_folder_that_is_more_than_an_instrument(path, session):
    assert session_folder(Path("/") / path, root=Path("/lib")) == session


def test_the_search_for_a_session_ends_at_the_root():
    assert session_folder(Path("/Barn/Snare/01.wav"), root=Path("/Barn/Snare")) == "Snare"


def test_chunks_count_before_names_and_folders(tmp_path):
    path = tmp_path / "Attic" / "snare_02_oh.wav"
    path.parent.mkdir()
    path.write_bytes(riff(bext("session=Boat shed; take=4; mic=room pair"), FMT_AND_DATA))
    found = find_provenance(path, root=tmp_path)
    assert (found.session, found.microphone, found.take) == ("Boat shed", "room pair", "4")
    assert (found.drum, found.stroke) == ("snare", 2)
    path.write_bytes(AUDIO)
    found = find_provenance(path, root=tmp_path)
    assert (found.session, found.microphone, found.take) == ("Attic", "oh", "")


@pytest.mark.parametrize(
    ("names", "drums"),
    [
        (["kick22", "kick24"], ["kick22", "kick24"]),
        (["SN13_01", "SN13_02", "SN14_01"], ["SN13", "SN13", "SN14"]),
        (["Kick 20 open 1", "Kick 22 open 1"], ["Kick 20 open", "Kick 22 open"]),
        ([f"snare{n}" for n in range(10, 16)], ["snare"] * 6),  # counted through
        (["kick 21", "kick 22", "kick 31"], ["kick"] * 3),  # no drum of 31 inches is built
        (["Tom10", "Tom12", "Tom16"], ["Tom10", "Tom12", "Tom16"]),
        (["BrassSnareHard02", "BrassSnareHard13"], ["BrassSnare"] * 2),
    ],
)
def test_numbers_that_are_sizes_belong_to_the_drum(tmp_path, names, drums):
    """Diameters in inches of drums that are built: common practice, no source."""
    for name in names:
        (tmp_path / f"{name}.wav").touch()
    assert [read_name(tmp_path / f"{name}.wav").drum for name in names] == drums


@pytest.mark.parametrize(
    ("pattern", "drums"),
    [
        ("tom {} a v{}", ["41", "45", "61"]),  # keys of the General MIDI percussion map
        ("Tom {} v{}", ["1", "2", "3"]),
        ("Tom_{}_rr{}", ["1", "2"]),
        ("tom {} v{}", ["8", "10", "12", "13", "14", "16"]),  # diameters, in inches
    ],
)
def test_a_number_before_a_marked_layer_belongs_to_the_drum(tmp_path, pattern, drums):
    paths = [tmp_path / f"{pattern.format(n, v)}.wav" for n in drums for v in (1, 2, 3)]
    for path in paths:
        path.touch()
    words = re.split(r"[ _]", pattern)[:-1]
    named = [" ".join(words).format(n) for n in drums for _ in range(3)]
    assert [read_name(path).drum for path in paths] == named


def test_a_running_number_before_a_marked_layer_counts_strokes(tmp_path):
    paths = [tmp_path / f"snare {n} v{n // 10}.wav" for n in range(28, 60, 4)]
    for path in paths:
        path.touch()
    assert {read_name(path).drum for path in paths} == {"snare"}


@pytest.mark.parametrize(
    ("path", "drum", "microphone"),
    [
        ("day/ZZ0001_Tr1", "ZZ0001", "Tr1"),
        ("day/ZZ0002_Tr12", "ZZ0002", "Tr12"),
        ("day/REC0038", "REC0038", ""),
        ("day/240316_103000 Track 2", "240316 103000", "Track 2"),
        ("day/STE-000 ch 3", "STE 000", "ch 3"),
        ("Snare 14 cloth/ZZ0007_Tr2", "Snare 14 cloth", "Tr2"),  # the folder names the drum
    ],
)
def test_a_name_that_a_recorder_gave_is_a_drum_of_its_own(path, drum, microphone):
    found = read_name(Path(f"/{path}.wav"))
    assert (found.drum, found.microphone) == (drum, microphone)


@pytest.mark.parametrize(
    "folder", ["phone", "Voice Memos", "handheld", "recorder 2", "DCIM", "Snare open", "cloth"]
)
def test_a_folder_that_names_a_device_or_a_drum_is_no_session(folder):
    path = Path("/music/Old mill") / folder / "ZZ0001.wav"
    assert session_folder(path, root=Path("/music")) == "Old mill"


def test_a_device_folder_beside_sessions_is_one_since_the_root_is_none(tmp_path):
    path = tmp_path / "lib" / "Handheld" / "STE-001.wav"
    path.parent.mkdir(parents=True)
    assert session_folder(path, root=tmp_path / "lib") == "lib"
    (tmp_path / "lib" / "Snare").mkdir()
    (tmp_path / "lib" / "Barn 2024.wav").touch()
    assert session_folder(path, root=tmp_path / "lib") == "lib"
    (tmp_path / "lib" / "Barn 2024").mkdir()
    assert session_folder(path, root=tmp_path / "lib") == "Handheld"
    kick = path.parent / "Kick" / "01.wav"
    assert session_folder(kick, root=tmp_path / "lib") == "Handheld"


def test_the_date_of_a_phone_recording_is_read(tmp_path):
    """PyAV writes the file: creation time of the movie header, ISO/IEC 14496-12 (from memory)."""
    path = tmp_path / "New Recording 12.m4a"
    with av.open(path, "w", format="ipod") as container:
        container.metadata["creation_time"] = "2023-02-18T10:30:05.000000Z"
        stream = container.add_stream("aac", rate=44_100, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 44_100), np.float32), "fltp", "mono")
        frame.sample_rate = 44_100
        container.mux([*stream.encode(frame), *stream.encode(None)])
    origin = read_chunks(path).origin
    assert (origin["date"], origin["time"]) == ("2023-02-18", "10:30:05")
    assert recording_date(origin) == "2023-02-18"


@pytest.mark.parametrize(
    ("path", "drum"),
    [
        ("Mill/snare 14 muted/sm_vl1_rr2_top", "snare 14 muted sm"),
        ("Mill/snare 13/sn_vl1_rr2_top", "snare 13"),
        ("Mill/snare 14a basic/sn_vl1_rr2_top", "snare 14a basic"),
        ("Mill/snare 14a basic/ss_vl1_rr2_top", "snare 14a basic ss"),
        ("Mill/snare 14a basic/soft/sn_vl1_rr2_top", "snare 14a basic"),
        ("Mill/snare 14a basic/snare 14a basic 2", "snare 14a basic"),
        ("Mill/Snare/sn_vl1_rr2_top", "sn"),
        ("Mill/Tom4/2-Tom4-Tom4", "Tom4"),
        ("Mill 2/sn_vl1_rr2_top", "sn"),
    ],
)
def test_a_folder_of_one_instrument_separates_drums_of_one_name(path, drum):
    found = find_provenance(f"/music/{path}.wav", root="/music")
    assert (found.drum, found.session) == (drum, path.split("/")[0])
