"""List the audio files below folders, sorted; loops of links are followed once."""

from __future__ import annotations

import hashlib
import os
import stat
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from operator import attrgetter, itemgetter
from pathlib import Path

from catalog.audio.decode import AUDIO_SUFFIXES
from catalog.errors import ParameterError
from catalog.library.scan.true_names import true_path
from catalog.library.store.ingest import FoundFile

READ_BYTES = 1 << 20
# What to do about a file that no longer holds what was measured; a scan without this option
# compares only sizes and times.
SCAN_AGAIN = "scan its folder again, with `--again` if its size and time are unchanged"
# Formats that libsndfile cannot read; such files are reported, not ignored.
UNREAD_SUFFIXES = frozenset({".m4b", ".mp4", ".aac", ".alac", ".wma", ".amr", ".ape", ".wv"})
HEAD_BYTES = 24
# First bytes of files, as the documents of the formats define them (from memory): FLAC, Ogg, MP3
# with tags, AU, CAF, Wave64, Creative Voice, NIST Sphere, Portable Voice. RIFF and IFF hold the
# type of their content at byte 8.
HEADS = (b"fLaC", b"OggS", b"ID3", b".snd", b"caff", b"riff\x2e\x91\xcf\x11", b"Creative Voice",
         b"NIST_1A", b"PVF1")  # fmt: skip
FORMS = {
    b"RIFF": (b"WAVE",), b"RIFX": (b"WAVE",), b"RF64": (b"WAVE",),
    b"FORM": (b"AIFF", b"AIFC", b"8SVX", b"16SV"),
}  # fmt: skip
MANIFEST = "manifest.json"  # of an exported kit
# File systems without files of a user, as Linux names them in proc_pid_mounts(5) (from memory);
# one of them holds links to the whole disk.
SYSTEM_TYPES = frozenset({
    "proc", "sysfs", "devtmpfs", "devpts", "cgroup", "cgroup2", "debugfs", "tracefs", "securityfs",
    "configfs", "mqueue", "bpf", "pstore", "efivarfs", "binfmt_misc", "fusectl", "hugetlbfs",
    "rpc_pipefs", "selinuxfs",
})  # fmt: skip
SYSTEM_FOLDERS = ("/proc", "/sys", "/dev")  # also where they are on an ordinary file system
SHARED_MEMORY = "/dev/shm"  # ordinary files
SYSTEM_REASON = "holds devices and data of the system, no recordings; leave it out"
UNREAD_REASON = "is of a format that is not read; export it as WAV or FLAC"


@dataclass
class Found:
    """The result of a walk: files in sorted order, and faults as (path, reason)."""

    files: list[FoundFile] = field(default_factory=list)
    faults: list[tuple[str, str]] = field(default_factory=list)
    unlisted: list[str] = field(default_factory=list)  # folders that could not be listed
    manifests: list[str] = field(default_factory=list)  # files that may describe an export
    not_audio: Counter[str] = field(default_factory=Counter)  # other files by suffix, "" for none

    def count_other(self, name: str) -> None:
        """Count a file that is not audio."""
        self.not_audio[os.path.splitext(name)[1].lower()] += 1


def check_roots(folders: Iterable[str | Path]) -> list[str]:
    """Return the folders to scan, absolute, links resolved, without those inside another one.

    Names are those that the disk lists, see `true_path`.

    Raise `ParameterError` if there is none, or one does not exist, is not a folder, or belongs to
    the system.
    """
    if isinstance(folders, str | os.PathLike):
        folders = [folders]
    folders = list(folders)
    if any(not os.fspath(folder) for folder in folders):
        raise ParameterError("a folder has an empty name; name the folder to scan")
    roots = sorted({true_path(os.path.realpath(os.fspath(folder))) for folder in folders})
    if not roots:
        raise ParameterError("folders is empty: name at least one folder to scan")
    for root in roots:
        if not os.path.isdir(root):
            what = "is not a folder; give the folder that it is in" if os.path.exists(root) else (
                "does not exist; check the name, or connect its disk")  # fmt: skip
            raise ParameterError(f"{root}: {what}")
    system = find_system_folders()
    for root in roots:
        if is_of_system(root, system):
            raise ParameterError(f"{root}: {SYSTEM_REASON}")
    return [r for r in roots if not any(is_under(r, other) for other in roots if other != r)]


def find_system_folders() -> tuple[str, ...]:
    """Return the folders of devices, processes and other data of the system."""
    try:
        mounts = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:  # not on this system
        return SYSTEM_FOLDERS
    fields = (line.split() for line in mounts.splitlines())
    found = {part[1] for part in fields if len(part) > 2 and part[2] in SYSTEM_TYPES}
    tops = {*SYSTEM_FOLDERS, *found}
    return tuple(a for a in tops if not any(is_under(a, b) for b in tops if b != a))


def is_of_system(folder: str, system: Sequence[str]) -> bool:
    """Return whether a folder, without links, is one of `find_system_folders` or inside one."""
    return any(is_under(folder, top) for top in system) and not is_under(folder, SHARED_MEMORY)


def is_under(path: str, folder: str) -> bool:
    """Return whether a path is a folder or something inside it; both absolute."""
    return path == folder or path.startswith(folder.rstrip(os.sep) + os.sep)


def walk_folders(
    roots: Sequence[str], *, leave_out: str, on_found: Callable[[int], None] | None = None
) -> Found:
    """List all audio files below some folders, as `check_roots` gives them.

    Hidden names are ignored, among them the "._" companion files of some systems, and the folder
    `leave_out`. A link to a folder outside the roots is followed once; one that points back above
    itself is a fault. `on_found` is called with the number of files so far, after each folder.
    """
    found, seen = Found(), set[str]()
    aside, system = os.path.realpath(leave_out), find_system_folders()
    for root in roots:
        found.manifests.append(os.path.join(os.path.dirname(root), MANIFEST))
        waiting = [(root, os.path.realpath(root))]
        while waiting:
            folder, real = waiting.pop()
            if real in seen or is_under(real, aside):
                continue
            if is_of_system(real, system):
                found.faults.append((folder, SYSTEM_REASON))
                continue
            seen.add(real)
            inner = list(_read_folder(folder, root, roots, found))
            waiting += [
                (path, os.path.realpath(path) if is_link else os.path.join(real, name))
                for path, name, is_link in reversed(inner)
            ]
            if on_found:
                on_found(len(found.files))
    found.files.sort(key=itemgetter(0))
    found.faults.sort()
    return found


def _read_folder(
    folder: str, root: str, roots: Sequence[str], found: Found
) -> Iterator[tuple[str, str, bool]]:
    """Collect the files of one folder; yield its folders as path, name, whether it is a link."""
    try:
        with os.scandir(folder) as entries:
            named = sorted((e for e in entries if e.name[0] != "."), key=attrgetter("name"))
    except OSError as err:
        found.unlisted.append(folder)
        reason = f"cannot be listed ({err.strerror}); check that you may open it"
        found.faults.append((folder, reason))
        return
    for entry in named:
        name = entry.name
        if entry.is_symlink():
            for path in _follow_link(entry, root, roots, found):
                yield path, name, True
        elif _is_audio(name) and not entry.is_dir(follow_symlinks=False):
            _collect_file(entry, root, found)
        elif entry.is_dir(follow_symlinks=False):
            yield entry.path, name, False
        elif name == MANIFEST:
            found.manifests.append(entry.path)
            found.count_other(name)
        elif os.path.splitext(name)[1].lower() in UNREAD_SUFFIXES:
            found.faults.append((entry.path, UNREAD_REASON))
        elif _has_audio_header(entry):
            _collect_file(entry, root, found)
        else:
            found.count_other(name)


def _is_audio(name: str) -> bool:
    suffix = name[name.rfind(".") :]
    return suffix in AUDIO_SUFFIXES or suffix.lower() in AUDIO_SUFFIXES


def _has_audio_header(entry: os.DirEntry[str]) -> bool:
    """Return whether a regular file without a suffix begins as audio does."""
    if os.path.splitext(entry.name)[1]:
        return False
    try:
        if not entry.is_file():  # opening a pipe would block forever
            return False
        with open(entry.path, "rb", buffering=0) as file:
            head = file.read(HEAD_BYTES)
    except OSError:
        return False
    return head.startswith(HEADS) or head[8:12] in FORMS.get(head[:4], ())


def _follow_link(
    entry: os.DirEntry[str], root: str, roots: Sequence[str], found: Found
) -> Iterator[str]:
    """Follow a link that points out of the roots; targets inside them are found anyway."""
    target = os.path.realpath(entry.path)
    inside = any(is_under(target, r) for r in roots)
    if _is_dir(entry):
        if is_under(os.path.realpath(os.path.dirname(entry.path)), target):
            reason = "is a link back to a folder above it and is not followed; remove the link"
            found.faults.append((entry.path, reason))
        elif not inside:
            yield entry.path
    elif inside and os.path.isfile(target):  # found under its own name
        return
    elif _is_audio(entry.name) or _has_audio_header(entry):
        _collect_file(entry, root, found)
    else:
        found.count_other(entry.name)


def _is_dir(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a link to itself
        return False


def _collect_file(entry: os.DirEntry[str], root: str, found: Found) -> None:
    try:
        status = entry.stat()
    except OSError as err:
        reason = f"cannot be accessed ({err.strerror}); check its permissions"
        if entry.is_symlink():
            reason = "is a broken link; remove it, or restore the file that it points to"
        found.faults.append((entry.path, reason))
        return
    if not stat.S_ISREG(status.st_mode):
        found.faults.append((entry.path, "is not a regular file; remove it from the folder"))
        return
    found.files.append(FoundFile(entry.path, root, status.st_size, status.st_mtime_ns))


def hash_file(path: str | Path, mate: str | Path | None = None) -> str:
    """Return the SHA-256 of a whole file, or of two one after the other, in hexadecimal."""
    digest = hashlib.sha256()
    for part in (path, mate):
        if part:
            with open(part, "rb") as file:
                while block := file.read(READ_BYTES):
                    digest.update(block)
    return digest.hexdigest()
