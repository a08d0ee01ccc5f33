"""What was dropped: listed or unpacked without leaving the drop, given roles and songs."""

from stemprep.intake.clutter import clutter_reason, is_copy_under_way
from stemprep.intake.kinds import KEPT_EXTENSIONS
from stemprep.intake.kit import (
    KitPlace,
    amp_of,
    drum_of,
    kit_places,
    stand_of,
    take_of,
    words_of_place,
)
from stemprep.intake.names import display_path
from stemprep.intake.opening import open_regular
from stemprep.intake.players import dry_twins, player_of
from stemprep.intake.scan import SHEET_NAMES, Scan, read_sheet, scan_drop
from stemprep.intake.session import build_session

__all__ = [
    "KEPT_EXTENSIONS",
    "SHEET_NAMES",
    "KitPlace",
    "Scan",
    "amp_of",
    "build_session",
    "clutter_reason",
    "display_path",
    "drum_of",
    "dry_twins",
    "is_copy_under_way",
    "kit_places",
    "open_regular",
    "player_of",
    "read_sheet",
    "scan_drop",
    "stand_of",
    "take_of",
    "words_of_place",
]
