"""Write the generated files of ``configs/`` anew (``python -m tests.refresh``)."""

from __future__ import annotations

from stemprep.spec.editors import SCHEMA_FILES, schema_text
from stemprep.spec.loading import resolved_shipped
from stemprep.spec.resolved import RESOLVED_FILE, resolved_text
from stemprep.spec.shipped import configs_folder


def main() -> None:
    """Schemas for editors, and the shipped specs as resolved."""
    for kind, name in SCHEMA_FILES.items():
        (configs_folder() / name).write_text(schema_text(kind), encoding="utf-8")
    (configs_folder() / RESOLVED_FILE).write_text(resolved_text(resolved_shipped()), "utf-8")


if __name__ == "__main__":
    main()
