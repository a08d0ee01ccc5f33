"""stemprep: check, prepare, package and prove folders of recorded sound."""

__version__ = "0.1.0"
