"""Lines for people and for machines; what is logged cannot forge a line."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator

import pytest
import structlog

from stemprep.service.logs import set_up_logs


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    handlers = list(logging.getLogger().handlers)
    yield
    structlog.reset_defaults()
    logging.getLogger().handlers = handlers


def logged(stream: io.StringIO) -> list[str]:
    return stream.getvalue().splitlines()


def test_text_is_for_people() -> None:
    stream = io.StringIO()
    set_up_logs("text", stream)
    structlog.get_logger().info("delivered", job=7, verdict="pass", reason="two words")
    (line,) = logged(stream)
    assert line[10] == "T"
    assert line[20:] == ' info    delivered  job=7 verdict=pass reason="two words"'


def test_json_is_one_object_a_line() -> None:
    stream = io.StringIO()
    set_up_logs("json", stream)
    structlog.get_logger().warning("held back", inbox=1, reason="a\nb")
    (line,) = logged(stream)
    entry = json.loads(line)
    assert (entry["event"], entry["level"], entry["reason"]) == ("held back", "warning", "a\nb")
    assert entry["timestamp"].endswith("Z")


@pytest.mark.parametrize("log_format", ["text", "json"])
def test_no_value_makes_a_second_line_or_moves_a_cursor(log_format: str) -> None:
    stream = io.StringIO()
    set_up_logs(log_format, stream)  # type: ignore[arg-type]
    structlog.get_logger().info("x\r\n2026-01-01T00:00:00Z info forged", name="\x1b[2J\u202e")
    (line,) = logged(stream)
    assert "\x1b" not in line
    assert "\u202e" not in line


def test_a_bug_is_logged_with_its_trace() -> None:
    stream = io.StringIO()
    set_up_logs("text", stream)
    try:
        raise ValueError("odd")
    except ValueError:
        structlog.get_logger().error("a fault of stemprep", exc_info=True)
    assert logged(stream)[-1] == "    ValueError: odd"


def test_what_libraries_say_goes_the_same_way() -> None:
    stream = io.StringIO()
    set_up_logs("json", stream)
    set_up_logs("json", stream)  # twice does not double lines
    logging.getLogger("some.library").warning("odd: %s", 5)
    logging.getLogger("some.library").info("not wanted")
    (line,) = logged(stream)
    assert json.loads(line)["library"] == "some.library"


def test_a_log_that_cannot_be_written_stops_nothing() -> None:
    class Full(io.StringIO):
        def write(self, text: str) -> int:
            raise OSError(28, "no space left on device")

    set_up_logs("text", Full())
    structlog.get_logger().info("goes nowhere")


@pytest.mark.parametrize("name", ['a" level="error', "a=b", 'verdict="pass"', "", "a b"])
def test_a_name_makes_no_second_value(name: str) -> None:
    """Whoever filters lines by ``job=7`` must not be misled by what a folder is called."""
    stream = io.StringIO()
    set_up_logs("text", stream)
    structlog.get_logger().info("held back", drop=name, job=3)
    line = logged(stream)[0]
    start, end = line.index("drop="), line.rindex(" job=3")
    assert json.loads(line[start + len("drop=") : end]) == name
