"""From findings to finished sound: the plan, and the operations that carry it out."""

from stemprep.prepare.render import render
from stemprep.prepare.stream import Source

__all__ = ["Source", "render"]
