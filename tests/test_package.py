"""What is installed from the built package runs away from the checkout, page and demo included."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tarfile
import time
import urllib.error
import urllib.request
import venv
from pathlib import Path

import pytest

from catalog.audio.encode import encode_wav
from tests.signals import as_frames, drum_stroke

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """The source distribution, and the wheel that was built from it."""
    out = tmp_path_factory.mktemp("dist")
    command = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return next(out.glob("*.tar.gz")), next(out.glob("*.whl"))


@pytest.fixture(scope="module")
def installed(built, tmp_path_factory):
    """The programs of an environment that has the wheel, and the packages of this one."""
    home = tmp_path_factory.mktemp("installed")
    venv.create(home, with_pip=False)
    python = home / "bin" / "python"
    where = "import sysconfig; print(sysconfig.get_path('purelib'))"
    own = subprocess.run([python, "-c", where], capture_output=True, text=True, check=True)
    others = [path for path in sys.path if path.endswith("site-packages")]
    Path(own.stdout.strip(), "others.pth").write_text("\n".join(others))
    pip = [sys.executable, "-m", "pip", "--python", python, "install", "--quiet"]
    subprocess.run([*pip, "--no-deps", "--no-index", "--force-reinstall", built[1]], check=True)
    return python.parent


@pytest.fixture
def run(installed, tmp_path):
    """Run one of the installed programs in an empty folder and give what it prints."""

    def call(program, *arguments):
        done = subprocess.run(
            [installed / program, *map(str, arguments)],
            cwd=tmp_path, env=away(tmp_path), capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    return call


def fetch(address, *, patience_s=30.0):
    """Request a page as a browser with an empty cookie jar; repeat it until the server listens.

    Returns the status and the body.
    """
    end = time.monotonic() + patience_s
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    while True:
        try:
            with browser.open(address, timeout=patience_s) as answer:
                return answer.status, answer.read()
        except urllib.error.HTTPError as err:
            with err:
                return err.code, err.read()
        except urllib.error.URLError:
            if time.monotonic() > end:
                raise
            time.sleep(0.05)


def away(home):
    """The environment without the checkout's path, and with a data folder of the test's own."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    return kept | {"XDG_DATA_HOME": str(home / "data")}


def test_the_source_distribution_holds_what_tests_and_docs_need(built):
    with tarfile.open(built[0]) as file:
        names = {name.split("/", 1)[1] for name in file.getnames()}
    for path in ("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "app.py"):
        assert path in names
    for path in subprocess.run(
        ["git", "ls-files", "catalog", "tests", "demo_library"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    ).stdout.splitlines():  # fmt: skip
        assert path.startswith('"') or path in names


def test_the_installed_command_scans_and_finds(run, tmp_path):
    package = run("python", "-c", "import catalog; print(catalog.__file__)").strip()
    assert ROOT not in Path(package).parents
    assert Path(package).with_name("py.typed").is_file()
    for number in range(3):
        wave = as_frames(drum_stroke(150, seed=number, sr=16_000), 1)
        (tmp_path / f"snare_{number}.wav").write_bytes(encode_wav(wave, sr=16_000))
    run("catalog", "scan", tmp_path, "--store", "own.sqlite")
    hits = json.loads(run("catalog", "hits", "--store", "own.sqlite", "--json"))
    assert [hit["role"] for hit in hits] == ["snare"] * 3
    assert "snare_" in run("catalog", "similar", hits[0]["id"], "--store", "own.sqlite")


def test_the_installed_demo_has_its_library(run):
    code = "from pathlib import Path; from catalog.services.demo import copy_demo as copy\n"
    code += "print(sum(p.is_file() for p in copy(Path('demo')).rglob('*')))"
    suffixes = [path.suffix.lower() for path in (ROOT / "demo_library").rglob("*")]
    n_sounds = suffixes.count(".wav") + suffixes.count(".flac")
    assert int(run("python", "-c", code)) == n_sounds > 280


def test_the_installed_page_answers(installed, tmp_path):
    command = [installed / "catalog", "open", "--no-browser", "--store", "own.sqlite"]
    server = subprocess.Popen(
        command, cwd=tmp_path, env=away(tmp_path), stdout=subprocess.PIPE, text=True
    )
    assert server.stdout is not None
    try:
        address = next(word for line in server.stdout for word in line.split() if "://" in word)
        status, body = fetch(address)
        assert status == 200
        assert b"<html" in body
        assert fetch(address.partition("?")[0])[0] == 403  # without the token
    finally:
        server.terminate()
        server.communicate()
