"""What holds for every test."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does; before numpy
