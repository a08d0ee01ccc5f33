"""``python -m stemprep``: the command line."""

from stemprep.cli.main import run

if __name__ == "__main__":
    run()
