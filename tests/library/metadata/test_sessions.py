"""Sessions by rule: dates that the recorder wrote, and tags that are no dates."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from catalog import Catalog

SR = 44100


@pytest.mark.parametrize("date", ["2020", "May 2020", "0001-01-01", "9999-12-31", "-5", "noon"])
def test_a_date_tag_that_is_no_date_stops_no_scan_and_parts_no_session(tmp_path, date):
    rng = np.random.default_rng(0)
    decay = np.exp(-np.arange(12_000) / 3000)
    folder = tmp_path / "Attic"
    folder.mkdir()
    for name, tag in (("snare 1", date), ("snare 2", "2021-05-04")):
        with soundfile.SoundFile(folder / f"{name}.flac", "w", SR, 1, "PCM_16") as file:
            file.date = tag
            file.write(0.3 * decay * rng.normal(size=len(decay)))
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        assert len(cat.scan([folder], n_jobs=1).added) == 2
        (session,) = cat.takes.sessions()
        assert (session.name, session.dates, session.n_hits) == ("Attic", ("2021-05-04",), 2)
        kit = cat.fill_kit({}, ["snare"])
        assert cat.export_kit(kit, tmp_path / "kit")
