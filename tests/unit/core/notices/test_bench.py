"""The bench of outages and restarts, a few rounds of it, and that it sees what goes wrong."""

from __future__ import annotations

import pytest

from collector.core.notices import deciding
from tests.bench.notices import measured


def test_nothing_is_lost_and_nothing_doubled() -> None:
    """Over a dozen random rounds with outages, deaths and lost answers."""
    found = measured(12)
    assert found["restarts"] > 50
    assert found["marked repeats"] > 20
    assert (found["doubled"], found["lost"]) == (0, 0)


def test_a_repeat_that_is_not_marked_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the marks left out, what came twice counts as doubled."""
    monkeypatch.setattr(
        "collector.core.notices.kept.Told.may_have_heard", lambda self, name, about: False
    )
    assert measured(6)["doubled"] > 0


def test_a_notice_that_never_goes_out_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """With what came and went left out, alarms count as lost."""
    real = deciding._of_ended

    def silent(*given: object) -> str:
        word: str = real(*given)  # type: ignore[arg-type]
        return "" if word == "came and went" else word

    monkeypatch.setattr(deciding, "_of_ended", silent)
    assert measured(6)["lost"] > 0
