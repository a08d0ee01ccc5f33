"""From findings to finished sound: the plan, and the operations that carry it out."""

from stemprep.prepare.plan import plan_delivery
from stemprep.prepare.render import render
from stemprep.prepare.stream import Source

__all__ = ["Source", "plan_delivery", "render"]
