"""Where recordings lie in time against each other: lag and polarity, computed on arrays."""

from stemprep.timing.content import content_lag, shared_stretches
from stemprep.timing.content import window_frames as content_window_frames
from stemprep.timing.correlation import Peak, find_peak, phase_only
from stemprep.timing.drift import Drift, microphone_drift
from stemprep.timing.microphones import (
    is_verdict,
    loud_stretches,
    low_correlation,
    microphone_lag,
    spectrum,
    window_frames,
    window_start,
)
from stemprep.timing.spill import HOP_S, SpillLag, SpillMeter, block_frames
from stemprep.timing.wide_search import (
    SEARCH_RATE_HZ,
    SEARCH_REACH_S,
    SEARCH_WINDOW_S,
    Fits,
    WideLag,
    search_stretches,
    wide_lag,
    window_fits,
)

__all__ = [
    "HOP_S",
    "SEARCH_RATE_HZ",
    "SEARCH_REACH_S",
    "SEARCH_WINDOW_S",
    "Drift",
    "Fits",
    "Peak",
    "SpillLag",
    "SpillMeter",
    "WideLag",
    "block_frames",
    "content_lag",
    "content_window_frames",
    "find_peak",
    "is_verdict",
    "loud_stretches",
    "low_correlation",
    "microphone_drift",
    "microphone_lag",
    "phase_only",
    "search_stretches",
    "shared_stretches",
    "spectrum",
    "wide_lag",
    "window_fits",
    "window_frames",
    "window_start",
]
