"""A package may come from anybody: whatever its manifest says ends in words or in a comparison."""

from __future__ import annotations

import copy
import json
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from stemprep.errors import DeliveryError, StemprepError
from stemprep.lineage import compare_manifests, parse_manifest
from stemprep.model.package import Amendment, Predecessor
from stemprep.package import manifest_json, open_staging
from stemprep.report import render_comparison, render_comparison_json
from stemprep.spec import load_sheet
from tests.lineage.test_records import SHEET
from tests.package import records

ODD: tuple[Any, ...] = (
    None,
    True,
    -1,
    1e308,
    "",
    "../../etc",
    "\u202e\x1b[31m",
    [],
    [None],
    {},
    {"a": 1},
)


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    before = Predecessor(name="lantern_1", number=1, tag_manifest_sha256="ab" * 32)
    amends = Amendment(package="lantern_1", reason="wrong take", replaced=("stems/Bass.wav",))
    with open_staging(tmp_path_factory.mktemp("made"), "job") as staging:
        text = manifest_json(
            records.content(
                staging,
                sheet=load_sheet(SHEET, "session.yaml"),
                predecessor=before,
                amendment=amends,
                start_samples={"Lantern": 172_800_000},
            )
        )
    told: dict[str, Any] = json.loads(text)
    told["files"] = told["files"][:2]  # one that is changed, one beside it
    return told


def places(value: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The way to every value in nested records and lists; of long lists only the first entry.

    Of facts, which are read one by one, only those at the top and the silence.
    """
    if way:
        yield way
    if way[-2:-1] == ("facts",) and way[-1] != "silence":
        return
    if way[-1:] == ("sources",):
        value = [{**source, "facts": None} for source in value]
    if isinstance(value, dict):
        for key, item in value.items():
            yield from places(item, (*way, key))
    elif isinstance(value, list) and value:
        yield from places(value[0], (*way, 0))


def changed(content: dict[str, Any], way: tuple[Any, ...], value: Any) -> dict[str, Any]:
    """Copy what lies on the way and share the rest."""
    other = copy.copy(content)
    inside: Any = other
    for key in way[:-1]:
        inside[key] = copy.copy(inside[key])
        inside = inside[key]
    inside[way[-1]] = value
    return other


def test_every_value_may_be_anything(content: dict[str, Any]) -> None:
    whole = parse_manifest(json.dumps(content), "lantern")
    read = refused = 0
    for way in places(content):
        for odd in ODD:
            text = json.dumps(changed(content, way, odd))
            try:
                other = parse_manifest(text, "lantern")
            except StemprepError:
                refused += 1
                continue
            read += 1
            for result in (compare_manifests(whole, other), compare_manifests(other, whole)):
                shown = render_comparison(result)
                assert "\x1b" not in shown
                assert "\u202e" not in shown
                json.loads(render_comparison_json(result))
    assert refused > 200
    assert read > 200


def test_every_value_may_be_missing(content: dict[str, Any], tmp_path: Path) -> None:
    for way in places(content):
        other = copy.deepcopy(content)
        inside: Any = other
        for key in way[:-1]:
            inside = inside[key]
        del inside[way[-1]]
        try:
            parse_manifest(json.dumps(other), "lantern")
        except StemprepError:
            continue


@pytest.mark.parametrize(
    "path",
    ["data/../x.wav", "data/a/../../x.wav", "data//x.wav", "data/", "data/./x.wav", "data/a\0.wav"],
)
def test_no_path_leaves_the_payload(content: dict[str, Any], path: str) -> None:
    for way in (("files", 0, "path"), ("documents", 0, "path")):
        with pytest.raises(DeliveryError, match="leaves data/"):
            parse_manifest(json.dumps(changed(content, way, path)), "lantern")


def test_measurements_may_be_anything_where_the_sound_differs(content: dict[str, Any]) -> None:
    """Figures are compared only where the bytes are not the same."""
    whole = parse_manifest(json.dumps(content), "lantern")
    for name in content["files"][0]["facts"]:
        for odd in (0, -1, True, 1e308, -(1 << 62), 1 << 62, 10**400, float("nan")):
            told = changed(content, ("files", 0, "facts", name), odd)
            told["files"][0] |= {"sha256": "ab" * 32, "audio_sha256": "cd" * 32}
            try:
                other = parse_manifest(json.dumps(told), "lantern")
            except StemprepError:
                continue
            for result in (compare_manifests(whole, other), compare_manifests(other, whole)):
                render_comparison(result).encode()
                json.loads(render_comparison_json(result))


@pytest.mark.parametrize(
    "way",
    [("files", 0, "path"), ("documents", 0, "path"), ("files", 0, "sources", 0, "path")],
)
def test_half_of_a_surrogate_pair_is_no_name(content: dict[str, Any], way: tuple[Any, ...]) -> None:
    with pytest.raises(DeliveryError, match="no Unicode"):
        parse_manifest(json.dumps(changed(content, way, "data/\ud800.wav")), "lantern")


@pytest.mark.parametrize("path", ["data/" + "a/" * 200 + "x.wav", "data/" + "a" * 30_000])
@pytest.mark.parametrize(
    "way",
    [
        ("files", 0, "path"),
        ("files", 0, "sources", 0, "path"),
        ("documents", 0, "path"),
        ("documents", 0, "source"),
    ],
)
def test_paths_that_nothing_has_are_refused(
    content: dict[str, Any], way: tuple[Any, ...], path: str
) -> None:
    """3,000 folders took 20 seconds to make portable, and twice as many four times as long."""
    with pytest.raises(DeliveryError, match="longer than any path"):
        parse_manifest(json.dumps(changed(content, way, path)), "lantern")


# --- what no package can hold


@pytest.mark.parametrize("kind", ["files", "documents"])
def test_a_file_that_stands_twice_is_refused(content: dict[str, Any], kind: str) -> None:
    told = copy.deepcopy(content)
    told[kind].append(copy.deepcopy(told[kind][0]))
    with pytest.raises(DeliveryError, match="stands twice"):
        parse_manifest(json.dumps(told), "lantern")


def test_a_file_and_a_document_of_one_name_are_refused(content: dict[str, Any]) -> None:
    told = copy.deepcopy(content)
    told["documents"][0]["path"] = told["files"][0]["path"]
    with pytest.raises(DeliveryError, match="stands twice"):
        parse_manifest(json.dumps(told), "lantern")


ABSURD = (-1, 1 << 62, -(1 << 62), 1e300)
COUNTED = (
    ("facts", "channels"), ("facts", "sample_rate_hz"), ("facts", "frames"), ("facts", "bit_depth"),
    ("facts", "container_bits"), ("facts", "sample_peak_sample"), ("facts", "size_bytes"),
    ("size_bytes",), ("sources", 0, "facts", "channels"), ("sources", 0, "facts", "frames"),
    ("sources", 0, "facts", "sample_rate_hz"),
)  # fmt: skip


@pytest.mark.parametrize("way", COUNTED)
@pytest.mark.parametrize("value", ABSURD)
def test_absurd_counts_are_refused(
    content: dict[str, Any], way: tuple[Any, ...], value: float
) -> None:
    with pytest.raises(DeliveryError, match=r"which no file has|is of another type"):
        parse_manifest(json.dumps(changed(content, ("files", 0, *way), value)), "lantern")


@pytest.mark.parametrize(
    ("way", "value"),
    [
        (("files", 0, "facts", "channels"), 0),
        (("files", 0, "facts", "sample_rate_hz"), 0),
        (("files", 0, "source_channels"), [1, -3]),
        (("files", 0, "facts", "sample_peak_dbfs"), 1e308),
        (("files", 0, "facts", "loudness_lufs"), -1e100),
        (("documents", 0, "size_bytes"), -5),
        (("package", "delivery"), -1),
        (("package", "delivery"), 1 << 62),
        (("start_samples", "Lantern"), -1),
    ],
)
def test_absurd_values_are_refused(
    content: dict[str, Any], way: tuple[Any, ...], value: object
) -> None:
    with pytest.raises(DeliveryError, match="which no file has"):
        parse_manifest(json.dumps(changed(content, way, value)), "lantern")


def test_a_second_record_is_refused_before_the_rest_takes_memory(content: dict[str, Any]) -> None:
    """20,000 copies of one entry took 703 MB."""
    entry = json.dumps(content["files"][0])
    told = {**content, "files": []}
    text = json.dumps(told).replace('"files": []', '"files": [' + ", ".join([entry] * 5_000) + "]")
    tracemalloc.start()
    try:
        with pytest.raises(DeliveryError, match="stands twice"):
            parse_manifest(text, "lantern")
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak_bytes < 1_000_000
