"""A mixed inbox of the field sessions: each ends as its answer key says it should."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.end_to_end import drops
from tests.service.studio import Studio, digests, hurry

ADDS_UP = "title: Slow Ferry Home\nsongs:\n  - {title: Slow Ferry Home, mix_bus_processed: false}\n"
STEMS = "tracks:\n  - {file: 'Drums clipped*', role: stem}\n"
SHEETS = {
    # What the keys know and no file says: the mix is the plain sum; the clipped files are stems.
    "S03a_mix_stems_null": ADDS_UP,
    "S04a_null_gain": ADDS_UP.replace("Ferry Home", "Ferry Louder"),
    "S04b_null_delay": ADDS_UP.replace("Ferry Home", "Ferry Later"),
    "S07_clipping": STEMS,
}
FLIPPED = next((place.name for place in drops.SESSIONS.glob("S08_*_flipped")), "S08")
SESSIONS = (*SHEETS, "S01_tracking_clean", FLIPPED, "S05_overdub_return/sent")


def key_faults(session: str) -> dict[str, set[str]]:
    """Kind of planted fault -> files, from the answer key."""
    key = json.loads((drops.SESSIONS / "keys" / f"{session}.json").read_text())
    found: dict[str, set[str]] = {}
    for fault in key["faults"]:
        found.setdefault(fault["kind"], set()).add(fault["file"])
    return found


def blamed(studio: Studio, session: str) -> dict[str, set[str]]:
    """Check -> files of the findings that stopped a drop, from the report beside it."""
    report = json.loads((studio.inbox / f"{session}.report.json").read_text())
    found: dict[str, set[str]] = {}
    for finding in report["findings"]:
        if finding["severity"] == "fail":
            found.setdefault(finding["check"], set()).update(finding["files"])
    return found


def test_each_session_ends_as_its_key_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hurry(monkeypatch)
    studio = Studio.built(tmp_path)
    studio.config = replace(studio.config, engine="processes")
    for session in SESSIONS:
        drop = studio.inbox / session.replace("/", "_")
        shutil.copytree(drops.needs(session), drop)
        if session in SHEETS:
            (drop / "session.yaml").write_text(SHEETS[session])
    before = digests(studio.inbox)

    assert studio.run() == 0

    assert studio.states() == {
        "S01_tracking_clean": "delivered",
        "S03a_mix_stems_null": "delivered",
        "S04a_null_gain": "refused",
        "S04b_null_delay": "refused",
        "S05_overdub_return_sent": "delivered",
        "S07_clipping": "refused",
        FLIPPED: "delivered",
    }
    assert blamed(studio, "S04a_null_gain") == {
        "null-test": key_faults("S04a_null_gain")["stem_gain"]
    }
    assert blamed(studio, "S04b_null_delay") == {
        "null-test": key_faults("S04b_null_delay")["stem_delay"]
    }
    assert blamed(studio, "S07_clipping")["clipping"] >= key_faults("S07_clipping")["hard_clip"]
    assert len(studio.packages()) == 4
    studio.require_only_whole_packages()
    after = digests(studio.inbox)
    assert {path: after[path] for path in before} == before

    jobs, packages = studio.jobs(), digests(studio.out)
    assert studio.run() == 0  # a second one does nothing
    assert (studio.jobs(), digests(studio.out), digests(studio.inbox)) == (jobs, packages, after)
