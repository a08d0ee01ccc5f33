"""The specs that come with stemprep: where they lie, what they are called, what they are for."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

from stemprep.errors import SpecError
from stemprep.spec.problems import nearest

_PACKAGE = Path(__file__).resolve().parent.parent
_PLACES = (_PACKAGE / "configs", _PACKAGE.parent / "configs")
_NO_SPECS = (".example.yaml", "service.yaml")
_HEADLINE = re.compile(r'^(title|purpose):[ ]*"?(.*?)"?[ ]*$', re.MULTILINE)


@cache
def configs_folder() -> Path:
    """Give the folder of the shipped specs, inside the installed package or beside it."""
    for place in _PLACES:
        if (place / "base.yaml").is_file():
            return place
    raise SpecError(("configs: the shipped specs are missing; install stemprep again",))


@cache
def shipped_specs() -> tuple[str, ...]:
    """Names of the shipped specs, in alphabetical order."""
    files = configs_folder().glob("*.yaml")
    return tuple(sorted(file.stem for file in files if not file.name.endswith(_NO_SPECS)))


def shipped_path(name: str) -> Path:
    """Give the file of a shipped spec; SpecError for a name that is not shipped."""
    if name in shipped_specs():
        return configs_folder() / f"{name}.yaml"
    raise SpecError(
        (
            f"{name}: no spec of this name is shipped{nearest(name, shipped_specs())}; "
            f"give one of {', '.join(shipped_specs())}",
        )
    )


def spec_source(name: str) -> str:
    """Give the YAML text of a shipped spec, comments and all."""
    return shipped_path(name).read_text(encoding="utf-8")


def spec_summary(name: str) -> tuple[str, str]:
    """(title, purpose) of a shipped spec, read from its two headlines without the YAML reader."""
    headlines = dict(_HEADLINE.findall(spec_source(name)))
    return headlines["title"], headlines["purpose"]
