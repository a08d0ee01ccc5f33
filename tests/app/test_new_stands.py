"""How new files of a return come to their places, and what keeps one from being placed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soxr

from stemprep.app.check.inspect import no_progress
from stemprep.app.delivery.deliver import deliver
from stemprep.app.returns.positions import Stand, stands_of
from stemprep.app.returns.reconcile import held_against
from stemprep.errors import UsageError
from stemprep.model.finding import Finding
from tests import signals
from tests.end_to_end import drops, returns

SECOND = returns.RATE_HZ


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("stands")
    sent = returns.sent_drop(place / "Slow Ferry Home")
    report = deliver(sent, returns.spec_file(place), [place / "out"])
    assert report.package is not None
    return Path(report.package)


def stands(
    returned: Path, package: Path, moves: Sequence[str] = ()
) -> tuple[dict[str, Stand], list[Finding]]:
    with held_against(
        returned, package, "overdub", everything_asked=False, engine=None, on_progress=no_progress
    ) as held:
        return stands_of(held, moves)


def with_sheet(folder: Path, order: str) -> None:
    (folder / "session.yaml").write_text(f"tracks: [{{file: '*.wav', order: {{{order}}}}}]\n")


def test_a_time_reference_is_followed(tmp_path: Path, package: Path) -> None:
    """By 0 samples: that confirms it where others of its length begin elsewhere."""
    returns.write_new(tmp_path / "A.wav", returns.sung(330.0, start=SECOND), SECOND)
    found, obstacles = stands(tmp_path, package)
    assert obstacles == []
    assert (found["A.wav"].order.move_samples, found["A.wav"].order.is_from_start) == (0, False)


def test_an_ordered_lag_is_taken_out_even_at_the_sessions_start(
    tmp_path: Path, package: Path
) -> None:
    """What is cut there was recorded before the session's start."""
    returns.write_new(tmp_path / "A.wav", returns.sung(330.0, late=1_200), 0)
    found, obstacles = stands(tmp_path, package, ["A.wav"])
    assert obstacles == []
    assert found["A.wav"].is_lag_out
    assert found["A.wav"].order.move_samples == pytest.approx(-1_200, abs=4)


def test_a_silent_lead_before_the_start_may_go(tmp_path: Path, package: Path) -> None:
    lead = np.zeros((1, SECOND // 2))
    sound = np.concatenate([lead, returns.sung(330.0)], axis=1)
    returns.write_new(tmp_path / "A.wav", sound, -SECOND // 2)
    found, obstacles = stands(tmp_path, package)
    assert obstacles == []
    assert found["A.wav"].order.move_samples == -SECOND // 2
    assert found["A.wav"].order.is_from_start


def test_a_pick_up_before_the_start_is_never_cut(tmp_path: Path, package: Path) -> None:
    lead = 0.1 * np.sin(np.arange(SECOND // 2) / 20)[np.newaxis]
    sound = np.concatenate([lead, returns.sung(330.0)], axis=1)
    returns.write_new(tmp_path / "A.wav", sound, -SECOND // 2)
    found, (obstacle,) = stands(tmp_path, package)
    assert found == {}
    assert (obstacle.check, obstacle.severity, obstacle.found) == (
        "start-alignment", "fail", -SECOND // 2,
    )  # fmt: skip


def test_a_time_reference_counted_at_the_wrong_rate_is_read_as_meant(
    tmp_path: Path, package: Path
) -> None:
    sound = soxr.resample(returns.sung(330.0, start=SECOND)[0], SECOND, 44_100)[np.newaxis]
    start_s = (drops.START_S + 1) * SECOND / 44_100
    drops.write_take(tmp_path / "A.wav", sound, rate_hz=44_100, start_s=start_s)
    found, obstacles = stands(tmp_path, package)
    assert obstacles == []
    assert (found["A.wav"].order.move_samples, found["A.wav"].order.is_from_start) == (SECOND, True)


@pytest.mark.parametrize("spill_db", [None, returns.SPILL_DB])
def test_a_time_reference_outside_the_session_is_no_place(
    tmp_path: Path, package: Path, spill_db: float | None
) -> None:
    """Even where the mix in it says where it belongs: that has to be ordered."""
    sound = returns.sung(330.0, start=SECOND, spill_db=spill_db)
    returns.write_new(tmp_path / "A.wav", sound, 4_000 * SECOND)
    found, (obstacle,) = stands(tmp_path, package)
    assert found == {}
    assert (obstacle.check, obstacle.severity) == ("unplaced", "fail")
    if spill_db is not None:
        moved, obstacles = stands(tmp_path, package, ["A.wav"])
        assert obstacles == []
        assert moved["A.wav"].order.move_samples == pytest.approx(SECOND, abs=4)


def at_start(name: str, returned: Path, package: Path) -> str:
    found, obstacles = stands(returned, package)
    assert obstacles == []
    return found[name].order.move_reason


def test_why_a_file_begins_with_the_session_is_what_was_measured(
    tmp_path: Path, package: Path
) -> None:
    """Its length, the mix in it, or that it holds no sound; never one for the other."""
    whole = returns.sung(330.0, spill_db=None)
    signals.write_wav(tmp_path / "Long.wav", whole)
    signals.write_wav(tmp_path / "Leak.wav", returns.sung(220.0)[:, : -2 * SECOND])
    signals.write_wav(tmp_path / "Silent.wav", np.zeros((1, SECOND)))
    signals.write_wav(tmp_path / "Ordered.wav", whole)
    (tmp_path / "session.yaml").write_text(
        "tracks: [{file: Ordered.wav, order: {move_samples: 480}}]\n"
    )
    length, leak, silent, ordered = (
        at_start(name, tmp_path, package)
        for name in ("Long.wav", "Leak.wav", "Silent.wav", "Ordered.wav")
    )
    assert "as long as the session's files" in length
    assert "mix" not in length
    assert "the mix that leaked into it is on time" in leak
    assert "no sound that could lie in a wrong place" in silent
    assert "as ordered in the session sheet of the return" in ordered


def test_a_take_too_short_to_find_the_mix_in_is_told_as_that(tmp_path: Path, package: Path) -> None:
    """A search over less than four blocks of 1.28 s finds nothing whatever is there."""
    returns.write_new(tmp_path / "A.wav", returns.sung(330.0)[:, SECOND : 3 * SECOND], SECOND)
    with held_against(
        tmp_path, package, "overdub", everything_asked=False, engine=None, on_progress=no_progress
    ) as held:
        (new,) = held.returned.new_files
    assert "too little of it sounds beside the mix" in new.evidence
    assert "none was found" not in new.evidence


def test_a_sheet_may_place_what_says_nothing_true(tmp_path: Path, package: Path) -> None:
    returns.write_new(tmp_path / "A.wav", returns.sung(330.0, spill_db=None), 4_000 * SECOND)
    with_sheet(tmp_path, "move_samples: 12345")
    found, obstacles = stands(tmp_path, package)
    assert obstacles == []
    assert (found["A.wav"].order.move_samples, found["A.wav"].order.is_from_start) == (12_345, True)


def test_a_sheet_may_order_the_lag_out(tmp_path: Path, package: Path) -> None:
    returns.write_new(tmp_path / "A.wav", returns.sung(330.0, late=1_200), 0)
    with_sheet(tmp_path, "undo_lag: true")
    found, _ = stands(tmp_path, package)
    assert found["A.wav"].order.move_samples == pytest.approx(-1_200, abs=4)


@pytest.mark.parametrize(
    ("moves", "reason"), [(("A.wav",), "nothing shows how late"), (("B.wav",), "no new file")]
)
def test_a_move_without_a_lag_is_refused(
    tmp_path: Path, package: Path, moves: tuple[str, ...], reason: str
) -> None:
    returns.write_new(tmp_path / "A.wav", returns.sung(330.0, spill_db=None), 0)
    with pytest.raises(UsageError, match=reason):
        stands(tmp_path, package, moves)
