"""The shipped specs: complete, stable, and as the trade expects them."""

from __future__ import annotations

import dataclasses
import re
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import pytest

from stemprep.checks import CHECKS
from stemprep.model.rule import DeliverySpec, Rule
from stemprep.model.words import ROLES
from stemprep.naming import PUBLISHED_TEMPLATE, template_tokens
from stemprep.spec import load_spec, shipped, shipped_specs, spec_source, spec_summary
from stemprep.spec.parts import SPEC_PARTS
from stemprep.spec.shapes import keys_of
from tests.shipped import measure_settings

ROOT = Path(__file__).parents[2]
NOT_CONTENT = {"unsafe-entry"}


def severities(spec: DeliverySpec, check: str) -> set[str]:
    """Every weight that a check can have under a spec, over all roles."""
    rules: list[Rule] = [spec.rule(check, role) for role in ROLES]
    return {
        getattr(rule, field.name)
        for rule in rules
        for field in fields(rule)
        if field.name.endswith("severity")
    }


def test_four_are_shipped() -> None:
    assert shipped_specs() == ("archive", "base", "mastering", "overdub")


@pytest.mark.parametrize("name", ["archive", "base", "mastering", "overdub"])
def test_they_load_without_a_warning(name: str) -> None:
    spec = load_spec(name)
    assert (spec.name, spec.warnings) == (name, ())
    assert set(spec.rules) == set(CHECKS)
    assert all(
        type(spec.rule(check, "mix")) is known.nature.rule for check, known in CHECKS.items()
    )
    assert (spec.title, spec.purpose) == spec_summary(name)


def test_a_spec_is_frozen_by_the_names_of_its_keys() -> None:
    records = [part for part, _ in SPEC_PARTS.values()]
    for record in (*records, *(known.nature.rule for known in CHECKS.values())):
        fields = keys_of(record).fields
        assert fields == {name.removeprefix("is_"): name for name in fields.values()}
        assert len(fields) == len(dataclasses.fields(record))


def test_base_states_every_check_in_so_many_words() -> None:
    written = re.findall(r"^  ([a-z-]+):", spec_source("base").split("checks:")[1], re.MULTILINE)
    assert set(CHECKS) <= set(written)


def test_base_gives_the_records_own_defaults_for_measuring() -> None:
    assert load_spec("base").measure == measure_settings()


def test_mastering_as_the_next_room_wants_it() -> None:
    """Common practice, no source: see the comments in configs/."""
    spec = load_spec("mastering")
    assert spec.operations.base == "copy"
    assert not spec.operations.is_trimmed
    assert (spec.target.sample_rate_hz, spec.target.bit_depth) == ("source", "source")
    assert spec.contents.left_out_roles == ("talkback",)
    assert spec.rule("container", "mix").accepted == ("WAV", "RF64")  # type: ignore[attr-defined]
    assert spec.rule("bit-depth", "mix").minimum_bits == 24  # type: ignore[attr-defined]
    head = spec.rule("head-silence", "mix")
    assert (head.severity, head.max_s) == ("warn", 2.0)  # type: ignore[attr-defined]
    assert spec.measure.edge_silence_dbfs == -70.0
    for check in ("container", "bit-depth", "mixed-formats", "dual-mono", "split-pair"):
        assert spec.rule(check, "stem").severity in ("warn", "fail")


def test_overdub_gives_one_start_one_length_one_format() -> None:
    spec = load_spec("overdub")
    assert (spec.target.container, spec.target.sample_rate_hz, spec.target.bit_depth) == (
        "WAV", "song", "song",
    )  # fmt: skip
    assert spec.operations.base == "copy-audio"
    assert spec.operations.is_common_start
    assert spec.operations.is_equal_length
    assert {"place", "pad", "convert-rate", "convert-word-length"} <= set(spec.operations.allowed)
    assert not {"trim", "gain", "remove-dc", "fold-mono"} & set(spec.operations.allowed)
    assert spec.contents.left_out_roles == ("talkback",)


def test_no_content_stops_an_archive() -> None:
    spec = load_spec("archive")
    failing = {check for check in CHECKS if "fail" in severities(spec, check)}
    assert failing == NOT_CONTENT
    assert spec.operations.allowed == ("copy", "rename")
    assert spec.contents.layout == "as-dropped"
    assert spec.contents.left_out_roles == ()
    assert spec.contents.is_damaged_kept
    assert spec.naming.is_portable


@pytest.mark.parametrize(
    ("check", "role", "severity"),
    [
        ("clipping", "mix", "fail"), ("clipping", "stem", "fail"), ("clipping", "track", "warn"),
        ("clipping", "listening-reference", "off"),
        ("head-silence", "mix", "warn"), ("head-silence", "stem", "note"),
        ("tail-silence", "track", "note"),
        ("silent-file", "track", "note"), ("silent-file", "stem", "warn"),
        ("length", "track", "note"), ("length", "stem", "warn"),
        ("padded-word", "stem", "note"), ("duplicate-audio", "track", "warn"),
        ("unreadable", "track", "fail"), ("name-collision", "mix", "fail"),
        ("unexpected-file", "document", "note"), ("lossy-source", "listening-reference", "note"),
    ],
)  # fmt: skip
def test_weights_of_the_house(check: str, role: str, severity: str) -> None:
    assert load_spec("base").rule(check, role).severity == severity  # type: ignore[arg-type]


def test_only_mixes_have_a_peak_limit() -> None:
    spec = load_spec("base")
    limited = {role for role in ROLES if spec.rule("true-peak", role).max_dbtp is not None}  # type: ignore[attr-defined]
    assert limited == {"mix", "alternate-mix"}
    assert spec.rule("true-peak", "mix").max_dbtp == 0.0  # type: ignore[attr-defined]


def test_the_published_grammar_stands_ready_in_mastering() -> None:
    """P&E Wing, Delivery Recommendations (2018), page 13, as the naming room holds it."""
    assert template_tokens(PUBLISHED_TEMPLATE)
    assert f'# template: "{PUBLISHED_TEMPLATE}"' in spec_source("mastering")


def test_field_cases_load_and_are_strict() -> None:
    spec = load_spec(ROOT / "fixtures" / "field_cases.yaml")
    assert spec.name == "field_cases"
    assert spec.measure.silence_peak_dbfs == -90.0
    assert spec.rule("true-peak", "track").max_dbtp == -1.0  # type: ignore[attr-defined]
    assert spec.rule("silent-file", "track").severity == "warn"


def test_listing_loads_neither_pydantic_nor_numpy_nor_yaml() -> None:
    code = (
        "import sys, stemprep.spec as s; s.shipped_specs(); s.spec_summary('base');"
        "print(sorted({'pydantic', 'numpy', 'yaml'} & set(sys.modules)))"
    )
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert told.stdout.strip() == "[]"


def test_an_installed_package_finds_its_own_configs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a wheel configs/ lies inside the package; it goes before a folder beside it."""
    (tmp_path / "configs").mkdir()
    (tmp_path / "configs" / "base.yaml").write_text(spec_source("base"))
    monkeypatch.setattr(shipped, "_PLACES", (tmp_path / "configs", ROOT / "configs"))
    assert shipped.configs_folder.__wrapped__() == tmp_path / "configs"
