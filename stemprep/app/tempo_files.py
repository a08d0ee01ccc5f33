"""The MIDI file that a session sheet names as a song's tempo map: found in the drop, and read."""

from __future__ import annotations

from collections.abc import Callable

from stemprep.errors import InputError
from stemprep.intake import Scan, open_regular
from stemprep.model.session import DropEntry
from stemprep.model.sheet import MidiTempo
from stemprep.naming.patterns import PathIndex


def tempo_files(scan: Scan) -> Callable[[str], MidiTempo]:
    """Give the reader of tempo files that lie in a drop; it raises ValueError in words.

    Only what intake has listed as a document is opened, so nothing outside the drop is.
    """
    documents = {entry.path: entry for entry in scan.entries if entry.kind == "document"}
    index = PathIndex(documents, scan.sheet_folder)

    def read(path: str) -> MidiTempo:
        named = index.named_by(path)
        if not named:
            raise ValueError("is not in the drop; put the MIDI file there, or leave the key out")
        if len(named) > 1:
            told = ", ".join(named[:3])
            raise ValueError(f"names {len(named)} files ({told}); give the path of one")
        from stemprep.timeline import MAX_MIDI_BYTES, read_midi_tempo  # few drops have such a file

        return read_midi_tempo(_content(scan, documents[named[0]], MAX_MIDI_BYTES))

    return read


def _content(scan: Scan, entry: DropEntry, most_bytes: int) -> bytes:
    """All bytes of a file, or one more than the most that are wanted."""
    try:
        with open_regular(scan.root, entry.raw_path) as stream:
            return stream.read(most_bytes + 1)
    except (InputError, OSError) as error:
        raise ValueError(f"cannot be opened: {error}") from error
