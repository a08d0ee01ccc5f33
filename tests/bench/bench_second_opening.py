"""What opening every file a second time costs, as a share of a check and of a delivery.

Run: ``python -m tests.bench.bench_second_opening [--files N]``. The drop of ``bench_check`` is
checked and delivered for mastering in this process; CPU inside the second opening is held against
the CPU of everything. Only the shares mean anything.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from stemprep.app.check.inspect import inspect
from stemprep.app.delivery.deliver import deliver
from stemprep.engine import InlineEngine
from stemprep.work import measure, write
from tests.bench.bench_check import make_session


class Stopwatch:
    """CPU seconds spent inside the functions that it was put around."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def around(self, function: Callable[..., Any]) -> Callable[..., Any]:
        """The function, timed."""

        def timed(*given: Any) -> Any:
            begun = time.process_time()
            try:
                return function(*given)
            finally:
                self.seconds += time.process_time() - begun

        return timed


def main() -> None:
    """Print the shares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=8)
    options = parser.parse_args()
    inside = Stopwatch()
    for module, name in ((measure, "hold_edges_against"), (write, "hold_all_against")):
        setattr(module, name, inside.around(getattr(module, name)))
    with tempfile.TemporaryDirectory() as folder:
        drop = Path(folder) / "drop"
        drop.mkdir()
        make_session(drop)
        for path in sorted(drop.iterdir())[options.files :]:
            path.unlink()
        begun = time.process_time()
        inspect(drop, "mastering", engine=InlineEngine())
        whole = time.process_time() - begun
        print(f"check: {inside.seconds:.3f} of {whole:.2f} s CPU, {inside.seconds / whole:.1%}")
        inside.seconds, begun = 0.0, time.process_time()
        report = deliver(drop, "mastering", [Path(folder) / "out"], engine=InlineEngine())
        whole = time.process_time() - begun
        assert report.package is not None, [finding.message for finding in report.findings]
        print(f"delivery: {inside.seconds:.2f} of {whole:.2f} s CPU, {inside.seconds / whole:.1%}")


if __name__ == "__main__":
    main()
