"""An invented ensemble, an invented song, synthesised here: the session of the demo.

Nothing in it is recorded or taken from anywhere; its faults are planted on purpose and listed.
So are those of what the invented overdub room sends back (``overdubs``).
"""

from stemprep.demo.session import FAULTS, DemoFile, PlantedFault, demo_files, extra_files, sheet

__all__ = ["FAULTS", "DemoFile", "PlantedFault", "demo_files", "extra_files", "sheet"]
