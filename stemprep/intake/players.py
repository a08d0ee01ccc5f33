"""Who plays on a file, and which files are dry twins of printed effects: by sheet, then by name.

English trade words; common practice, no source. The last word that names a player counts, as
English puts it last: ``Bass Drum`` is drums, ``Synth Bass`` is bass.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from stemprep.intake.names import stem
from stemprep.intake.words import Words, fields_of, without_track_number, words_of
from stemprep.model.sheet import TrackNote
from stemprep.model.words import Role

_NAMED_FOR: Mapping[str, str] = {
    "vocals": "vox voc vocs vocal vocals voice voices lv bv bvs bgv bgvs bgvox backings choir sing"
    " singer singers adlib adlibs",
    "drums": "drums drum kit kick kik kck bd snare snr sn sd hat hats hh hihat tom toms oh ohs ovh"
    " ovhs overhead overheads ride crash cymbal cymbals beat beats",
    "percussion": "perc percussion shaker shakers tamb tambourine conga congas bongo bongos clap"
    " claps cowbell triangle",
    "bass": "bass basses",
    "guitars": "gtr gtrs guitar guitars egtr egtrs agtr agtrs elec acoustic banjo mandolin ukulele",
    "keys": "keys keyboard keyboards piano pianos epiano organ synth synths pad pads clav celesta"
    " harpsichord accordion",
    "strings": "strings violin violins viola violas cello celli cellos harp",
    "winds": "brass horn horns winds woodwinds sax saxes saxophone trumpet trumpets trombone"
    " trombones flute flutes clarinet oboe bassoon tuba",
}
_PLAYER_OF = {word: player for player, text in _NAMED_FOR.items() for word in text.split()}
_DRY = frozenset({"dry", "unprocessed"})
_PRINTED = frozenset({"wet", "fx", "effect", "effects", "processed", "printed", "print", "prints"})


def player_of(path: str, note: TrackNote | None) -> str | None:
    """``vocals``, ``drums``, ...: by the sheet's source, group and name, then by the file's name.

    A group of the sheet that is no such word stands for itself. None where nothing tells.
    """
    noted = () if note is None else (note.source, note.group, note.name)
    for text in (*noted, stem(path)):
        player = _player(words_of(text)) if text else None
        if player:
            return player
    return None if note is None or not note.group else note.group


def _player(words: Words) -> str | None:
    return next((_PLAYER_OF[word] for word in reversed(words) if word in _PLAYER_OF), None)


def dry_twins(files: Iterable[tuple[str, Role]]) -> dict[str, str]:
    """Each dry file with the one that holds the same sound with its effect printed.

    ``Vox dry`` is the dry twin of ``Vox`` and of ``Vox wet``, ``Gtr`` that of ``Gtr printed``. An
    effect alone (role effect-return) has no dry twin unless that calls itself dry.
    """
    named = [(path, role, _words(path)) for path, role in files]
    twins: dict[str, str] = {}
    for path, _, words in named:
        for other, role, theirs in named:
            if other != path and _bare(words) == _bare(theirs):
                is_dry = bool(words & _DRY) and not theirs & _DRY
                is_bare = not words & _PRINTED and theirs & _PRINTED and role != "effect-return"
                if is_dry or (is_bare and not theirs & _DRY):
                    twins.setdefault(path, other)
    return twins


def _words(path: str) -> frozenset[str]:
    fields = without_track_number(fields_of(stem(path)))
    return frozenset(word for field in fields for word in field)


def _bare(words: frozenset[str]) -> frozenset[str]:
    return words - _DRY - _PRINTED
