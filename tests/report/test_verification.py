"""The text of a verification, where there is more to tell than anybody reads."""

from __future__ import annotations

import json
from dataclasses import replace

from stemprep.model.package import Damage
from stemprep.report import render_verification, render_verification_json
from stemprep.report.verification import MAX_LISTED_DAMAGES
from tests.report import factory


def test_damages_without_end_are_counted() -> None:
    damages = tuple(
        Damage(path=f"data/{number:06d}.wav", kind="extra", message="was not delivered")
        for number in range(MAX_LISTED_DAMAGES + 1_234)
    )
    result = replace(factory.verifications()[0], is_whole=False, damages=damages)
    text = render_verification([result])
    assert text.count(".wav: was not delivered") == MAX_LISTED_DAMAGES
    assert "  - and 1,234 more: see the JSON report\n" in text
    (package,) = json.loads(render_verification_json([result]))["packages"]
    assert len(package["damages"]) == len(damages)
