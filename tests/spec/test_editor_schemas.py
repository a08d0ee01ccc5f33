"""The published JSON schemas, judged by the jsonschema library (draft 2020-12)."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Literal

import jsonschema
import pytest
import yaml

from stemprep.spec import json_schema, shipped_specs
from stemprep.spec.editors import SCHEMA_FILES, schema_text

CONFIGS = Path(__file__).parents[2] / "configs"


class Yaml12(yaml.SafeLoader):
    """Reads as editors do, by YAML 1.2's core schema: ``off`` is text, a date too."""


Yaml12.yaml_implicit_resolvers = {
    letter: [(tag, form) for tag, form in forms if not tag.endswith((":bool", ":timestamp"))]
    for letter, forms in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
Yaml12.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile("^(?:true|false)$"), ["t", "f"])


def read(file: Path) -> Any:
    return yaml.load(file.read_text(encoding="utf-8"), Loader=Yaml12)  # noqa: S506 - a SafeLoader


@pytest.mark.parametrize("kind", ["spec", "sheet", "service"])
def test_the_published_files_are_current(kind: Literal["spec", "sheet", "service"]) -> None:
    published = (CONFIGS / SCHEMA_FILES[kind]).read_text(encoding="utf-8")
    assert published == schema_text(kind), "write configs/ anew from stemprep.spec.editors"


@pytest.mark.parametrize("kind", ["spec", "sheet", "service"])
def test_they_are_schemas(kind: Literal["spec", "sheet", "service"]) -> None:
    jsonschema.Draft202012Validator.check_schema(json_schema(kind))


@pytest.mark.parametrize("name", [*shipped_specs(), "../fixtures/field_cases"])
def test_specs_fit_the_schema(name: str) -> None:
    jsonschema.Draft202012Validator(json_schema("spec")).validate(read(CONFIGS / f"{name}.yaml"))


def test_the_example_sheet_fits_the_schema() -> None:
    """Its bare ``take: 4`` is a number to an editor, so the schema takes both."""
    example = read(CONFIGS / "session.example.yaml")
    jsonschema.Draft202012Validator(json_schema("sheet")).validate(example)


@pytest.mark.parametrize(
    ("kind", "document"),
    [
        ("spec", {"colour": "red"}),
        ("spec", {"checks": {"clutter": "loud"}}),
        ("spec", {"checks": {"head-silence": {"max_s": -1}}}),
        ("spec", {"target": {"bit_depth": None}}),
        ("sheet", {"extends": "base"}),
        ("sheet", {"tracks": [{}]}),
        ("sheet", {"waivers": [{"check": "unreadable"}]}),
    ],
)
def test_what_the_loader_refuses_the_schema_refuses(
    kind: Literal["spec", "sheet", "service"], document: Any
) -> None:
    assert not jsonschema.Draft202012Validator(json_schema(kind)).is_valid(document)


def test_every_value_has_a_meaning_and_an_example() -> None:
    for kind in ("spec", "sheet", "service"):
        for name, definition in json_schema(kind)["$defs"].items():
            entry = definition.get("anyOf", [None, definition])[1]
            for key, value in entry["properties"].items():
                assert value.get("description"), f"{name}.{key}"


def test_the_example_config_fits_the_schema() -> None:
    jsonschema.Draft202012Validator(json_schema("service")).validate(read(CONFIGS / "service.yaml"))
