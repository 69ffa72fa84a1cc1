"""The words and numbers of states and bands, which firmware, files and tables share."""

from __future__ import annotations

from controller.declare import Band, State


def test_states_and_bands_have_their_numbers_and_words() -> None:
    assert [(int(one), one.word) for one in State] == [(0, "idle"), (1, "armed"), (2, "applied"), (3, "released")]
    assert [(int(one), one.word) for one in Band] == [(0, "none"), (1, "low"), (2, "high")]
