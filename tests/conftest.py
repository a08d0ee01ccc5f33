"""What holds for every test."""

import os
import signal

from hypothesis import settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does; before numpy

# A suite that a shell runs in the background has Ctrl-C ignored, and so would all that it starts.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# The suite gives the same answer on every machine, however busy it is;
# HYPOTHESIS_PROFILE=search looks for news.
settings.register_profile("suite", derandomize=True, database=None, deadline=None)
settings.register_profile("search", max_examples=2000, database=None, deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "suite"))
