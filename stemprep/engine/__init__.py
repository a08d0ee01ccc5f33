"""Mapping a job function over jobs: in this process, or in worker processes that may die.

A job function is a plain importable function of one picklable argument. Jobs carry paths and
records, never arrays.
"""

from stemprep.engine.isolation import JobDied, Limits, give_back_memory
from stemprep.engine.run import Engine, InlineEngine, ProcessEngine, available_cores

__all__ = [
    "Engine",
    "InlineEngine",
    "JobDied",
    "Limits",
    "ProcessEngine",
    "available_cores",
    "give_back_memory",
]
