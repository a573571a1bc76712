from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from catalog.audio.model import Audio
from catalog.duplicates.pairs.overlay import overlay_recordings
from catalog.web.api.duplicates.overlays import EARLY_S, describe_overlay, residual_wav
from tests.web.conftest import SR, make_stroke
from tests.web.pages import hit_id

STEP_DB = 6.02  # the quieter copy of the library is half as high


def test_an_overlay_is_sent_as_numbers_waveforms_and_audio(client):
    loud, quiet = hit_id("kick_1"), hit_id("kick_1 quieter")
    data = client.get(f"/api/overlay/{loud}/{quiet}").json()
    assert data["gain_db"] == pytest.approx(STEP_DB, abs=0.01)
    assert data["residual_db"] < -80.0
    close, whole = data["spans"]
    assert close["seconds"] == pytest.approx(EARLY_S)
    assert whole["seconds"] > 0.3
    assert max(close["first"]) == 127 or min(close["first"]) == -127
    assert max(map(abs, close["residual"])) == 0
    answer = client.get(f"/api/overlay/{loud}/{quiet}.wav")
    assert answer.headers["content-type"] == "audio/wav"
    residual, _ = soundfile.read(io.BytesIO(answer.content))
    assert np.abs(residual).max() < 1e-3
    assert client.get("/api/overlay/1/999999").status_code == 404


def test_the_residual_of_two_strokes_keeps_its_level_within_full_scale():
    first, second = make_stroke("snare", 1), make_stroke("snare", 2)
    overlay = overlay_recordings(
        Audio(3.0 * first, SR, "WAV", "FLOAT"), Audio(second, SR, "WAV", "FLOAT")
    )
    residual, _ = soundfile.read(io.BytesIO(residual_wav(overlay)))
    peak = max(np.abs(overlay.first).max(), np.abs(overlay.residual).max())
    assert peak > 1.0
    assert np.abs(residual - overlay.residual / peak).max() < 2**-15
    data = describe_overlay(overlay)
    assert -3.0 < data["residual_db"] <= 0.0
    assert max(map(abs, data["spans"][1]["residual"])) > 40
