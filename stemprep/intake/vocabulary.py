"""The words that names of files and folders tell roles and sources by. Common practice, no source.

English words, and those of other languages for what must not be mistaken: talkback, click, guides
and mixes. In Japanese a name is mostly one word.

A phrase may count anywhere, only at an edge of a field (``Bass DI`` is a DI, ``Canzone di brina``
is a title), or only at its end (``Dawn rough``, but ``Rough Cobblestone``); numbers, sides and
``print`` aside.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from stemprep.intake.words import Words
from stemprep.model.words import Role

Place = Literal["anywhere", "edge", "end"]
_PLACES: Mapping[str, Place] = {"|": "edge", "$": "end"}


def _phrases(text: str) -> tuple[tuple[Words, Place], ...]:
    """Read phrases separated by commas, marked ``|`` for an edge and ``$`` for the end."""
    parts = [part.strip() for part in text.split(",")]
    return tuple(
        (tuple(part.rstrip("|$").split()), _PLACES.get(part[-1], "anywhere")) for part in parts
    )


def _plain(text: str) -> tuple[Words, ...]:
    return tuple(words for words, _ in _phrases(text))


def _set(text: str) -> frozenset[str]:
    return frozenset(text.split())


SUBMIX = _set("""
    drums drum kit perc percussion bass gtr gtrs guitar guitars egtr egtrs agtr agtrs elec acoustic
    keys keyboards piano organ synth synths pad pads strings brass horns winds woodwinds orch
    orchestra choir vox vocal vocals voc vocs lv bv bvs bgv bgvs bgvox backings lead leads fx sfx
    effects loop loops beat beats music band rhythm rhy
""")
"""What a stem is named for."""

MICROPHONE = _set("""
    kick kik kck bd snare snr sn sd hat hats hh hihat tom toms oh ohs ovh ovhs overhead overheads
    ride crash cymbal cymbals room rooms amp cab mic mics di top bot bottom btm under close far
""")
"""What a single microphone or its place is named for; a file with such a word is no stem."""

QUALIFIERS = _set("lead bg backing back bus all stereo mono sum group grp sub wet dry l r main")

SOURCES = SUBMIX | MICROPHONE | QUALIFIERS

POSITIONS = _set("""
    in out inside outside top bot bottom btm under over l r left right lft rgt close far near amp
    cab di direct mic mics mono stereo front back side sub amb ambient
""")
"""Words that tell microphones of one source apart."""

MIX_WORDS = _set("mix mixes mixdown mixdowns master masters mstr premaster")
PRINT_WORDS = _set("print prints bounce bounces")
SIDES = _set("l r left right lft rgt mono stereo")
REFERENCE_WORDS = _set("ref refs reference references")
LOUD_WORDS = _set("loud limited listening listen mastered")
WHOLE_WORDS = _set("main final finale finished fertig endgültig définitif définitive definitivo")
"""What a mix is called at the end of a name that names no source: ``Dawn (Main)``, ``V4 FINAL``."""

EDITED_WORDS = _set("clean censored explicit")
"""An edit of the words, where no source is named: ``Dawn Clean``, but ``Gtr Clean``."""

INSTRUMENTS = SUBMIX - _set(
    "loop loops beat beats music band perc percussion rhythm rhy fx effects"
)
"""What clicks by itself: beside one of these a click is its noise, and no metronome."""
_ANYWHERE: Place = "anywhere"
_VOCAL = ("vocal", "vocals", "vox", "voc", "vocs")

NAME_PHRASES: Mapping[Role, tuple[tuple[Words, Place], ...]] = {
    "talkback": _phrases(
        "talkback, talk back, talk mic, listen mic, slate|, rückkommando, regiekommando,"
        " micro ordres, トークバック"
    ),
    "click": _phrases(
        "click, clicks, click track, metronome, klick, klicktrack, metronom, clic, métronome,"
        " claqueta, クリック, メトロノーム"
    ),
    "rough-mix": _phrases(
        "rough mix, rough mixes, roughmix, rough$, roughs$, monitor mix, mon mix, cue mix,"
        " headphone mix, desk mix, board mix, rough from, phone mix, phone bounce,"
        " vorabmischung, rohmischung, rohmix, mix provisoire,"
        " prémix, pré mix, ラフミックス, ラフ"
    ),
    "guide": _phrases("guide, guides, scratch|, pilotspur, témoin, voix témoin, 仮歌, ガイド"),
    "stem": _phrases("stem, stems, ステム"),
    "effect-return": _phrases(
        "fx return, fx returns, fx rtn, effect return, effects return, fx print, fx prints,"
        " returns|, return|, rtn|, reverb|, reverbs|, verb|, rvb|, plate$, delay|, delays|, dly|,"
        " echo$"
    ),
    "alternate-mix": _phrases(
        "instrumental, instrumentals, inst|, a cappella, a capella, acappella, acapella, acapellas,"
        " tv|, tv mix, tv track, clean edit, clean version, radio edit, mix minus, minus one,"
        " no vocal, no vocals, no vox, karaoke, backing track, pa mix, alt mix, alternate mix,"
        " acap, acaps, aca|, pb|, vox only, vocal only, vocals only, vocals alone, lv up, lv down,"
        " minus vox, minus vocals, playback|, halbplayback, gesang solo, nur gesang, voix seule,"
        " sin voz, sin voces, solo voz, solo voce, senza voce, base musicale, sans chant,"
        " version instrumentale, versión instrumental, instrumentale, strumentale, bande son,"
        " ohne gesang, sans voix, オケ, カラオケ, インスト, アカペラ,"
        " alternative mix, vocalup, vocaldown"
    )
    + tuple(((word, way), _ANYWHERE) for word in _VOCAL for way in ("up", "down")),
    "mix": tuple(((word,), _ANYWHERE) for word in sorted(MIX_WORDS))
    + _phrases(
        "stereo out, main out, 2 track, two track, 2 trk, mischung, endmischung, mixage, ミックス,"
        " マスター"
    ),
    "di": _phrases("di|, direct|, di box"),
}
"""In this order: the first role with a phrase in the name wins. ``roles`` adds the exceptions."""

FOLDER_PHRASES: Mapping[Role, tuple[Words, ...]] = {
    "rough-mix": _plain("rough mix, rough mixes, rough, roughs, monitor mixes"),
    "alternate-mix": _plain(
        "alternates, alternate, alternate mixes, alts, alt mixes, instrumentals, instrumental,"
        " acapellas, a cappellas, tv mixes, edits"
    ),
    "listening-reference": _plain("reference, references, refs, ref, listening, listening copies"),
    "effect-return": _plain("fx returns, fx return, returns, fx prints, effect returns, reverbs"),
    "talkback": _plain("talkback, talkbacks, slates"),
    "click": _plain("click, clicks, click track"),
    "guide": _plain("guide, guides, guide tracks, scratch, scratch tracks"),
    "di": _plain("di, dis, di tracks"),
    "stem": _plain("stem, stems, submixes"),
    "mix": _plain("mix, mixes, final mix, final mixes, master, masters, mixdowns"),
    "track": _plain("track, tracks, multitrack, multitracks, multi tracks, raw, raw tracks"),
}

FOLDER_FILLERS = _set("k khz hz bit bits wav wavs aiff flac files file audio v version final the")

NAME_OVER_FOLDER: Mapping[Role, frozenset[Role]] = {
    "stem": frozenset({"mix", "rough-mix", "listening-reference", "talkback", "click", "guide"}),
    "mix": frozenset(
        {"alternate-mix", "rough-mix", "listening-reference", "stem", "talkback", "click"}
    ),
    "alternate-mix": frozenset({"listening-reference", "talkback", "click"}),
}
"""Which roles a name may claim against its folder; folders not listed yield only to talkback and
click, and a folder of tracks yields to every role. ``Stems/Song_MIX`` is the mix that the stems add
up to; ``Stems/Song_FX Return`` is one of them."""

CONTENT_FOLDERS = _set("""
    audio wav wave wavs flac aif aiff file files take takes instrument instruments export exports
    bounce bounces bounced consolidated comp comps session sessions overdub overdubs od ods dry wet
    bit bits k khz hz
""")
"""Folder names that sort the content of one song and do not name a song."""
