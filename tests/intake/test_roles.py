"""Words for roles: common practice, no source, except where the grammar of file names is named."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.intake.folder_names import folder_role, folder_title
from stemprep.intake.roles import roles_by_name
from stemprep.intake.words import fields_of, words_of
from stemprep.model.words import ROLES


def roles(*paths: str) -> dict[str, str]:
    return {path: role for path, (role, _) in roles_by_name(paths).items()}


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("01_Kick In", "track"),
        ("Lead Vox", "track"),
        ("FX", "track"),
        ("Drums clipped 24", "track"),
        ("Canzone di brina_Kick", "track"),
        ("TB 2", "track"),
        ("Kick Click", "track"),
        ("DJ Scratch", "track"),
        ("Vox Print", "track"),
        ("Dawn_Room Mix", "track"),
        ("Vox no verb", "track"),
        ("001", "unknown"),
        ("13_Bass DI", "di"),
        ("DI Bass", "di"),
        ("Bass D.I.", "di"),
        ("BassDI2", "di"),
        ("24_Talkback", "talkback"),
        ("Talk Back", "talkback"),
        ("24_TB", "talkback"),
        ("Slate", "talkback"),
        ("Click", "click"),
        ("Metronome 120", "click"),
        ("Guide Vox", "guide"),
        ("Scratch Gtr", "guide"),
        ("FX Return 1", "effect-return"),
        ("Snare Verb", "effect-return"),
        ("Vox Reverb Print", "effect-return"),
        ("Vox Verb L", "effect-return"),
        ("Vox Delay", "effect-return"),
        ("Plate L", "effect-return"),
        ("Song_REF MIX", "mix"),
        ("Mix clean -6", "mix"),
        ("Dawn Mix v3", "mix"),
        ("Dawn_Master", "mix"),
        ("Dawn Print", "mix"),
        ("MIX", "mix"),
        ("2Mix", "mix"),
        ("Dawn Mix no verb", "mix"),
        ("Rough Cobblestone_Mix", "mix"),
        ("Rough Mix", "rough-mix"),
        ("Dawn rough 2", "rough-mix"),
        ("Monitor Mix", "rough-mix"),
        ("Dawn Instrumental", "alternate-mix"),
        ("Dawn_Inst", "alternate-mix"),
        ("Dawn A Cappella", "alternate-mix"),
        ("Dawn (Acapella)", "alternate-mix"),
        ("Dawn TV Mix", "alternate-mix"),
        ("Dawn_TV", "alternate-mix"),
        ("Dawn Vocal Up", "alternate-mix"),
        ("Dawn Mix Vox Down", "alternate-mix"),
        ("Dawn Clean Edit", "alternate-mix"),
        ("Dawn_Drum Stem", "stem"),
        ("Dawn_DRUM MIX", "stem"),
        ("Dawn Mix LOUD", "listening-reference"),
        ("Dawn Limited Master", "listening-reference"),
        ("Dawn mastered", "listening-reference"),
        ("Dawn Listening Copy", "listening-reference"),
        ("Dawn Reference", "listening-reference"),
        ("08 Rückkommando", "talkback"),
        ("トークバック", "talkback"),
        ("12 Klick", "click"),
        ("Métronome", "click"),
        ("クリック", "click"),
        ("05 Voix témoin", "guide"),
        ("仮歌", "guide"),
        ("11 Vorabmischung", "rough-mix"),
        ("09 Mix provisoire", "rough-mix"),
        ("ミックス", "mix"),
        ("オケ", "alternate-mix"),
        ("Mischung sans voix", "alternate-mix"),
        ("Ansage", "track"),
        # As people write them.
        ("Harbour Weather ACAP", "alternate-mix"),
        ("Harbour Weather ACA", "alternate-mix"),
        ("Harbour Weather PB", "alternate-mix"),
        ("Harbour Weather Vox Only", "alternate-mix"),
        ("Harbour Weather Clean", "alternate-mix"),
        ("Harbour Weather LV Up", "alternate-mix"),
        ("Harbour Weather (Main)", "mix"),
        ("Harbour Weather V4 FINAL", "mix"),
        ("Harbour Weather limited", "listening-reference"),
        ("Harbour Weather LOUD", "listening-reference"),
        ("Harbour Weather listen", "listening-reference"),
        ("Harbour Weather rough from phone", "rough-mix"),
        ("Harbour Weather sin voces", "alternate-mix"),
        ("Harbour Weather senza voce", "alternate-mix"),
        ("Echo Snare", "track"),
        ("Plate Snare", "track"),
        ("Snare Plate", "effect-return"),
        ("Click Synth", "track"),
        ("Pad clicks", "track"),
        ("Gtr Clean", "track"),
        ("Final", "track"),
        # The published grammar of file names for mixes: initials, title, revision, version, rate.
        ("JS_Dawn_AW03_VocalUp_44k16", "alternate-mix"),
        ("JS_Dawn_AW03_Mix_96k24", "mix"),
    ],
)
def test_a_single_name(name: str, expected: str) -> None:
    assert roles(f"{name}.wav") == {f"{name}.wav": expected}


def test_what_all_names_begin_with_is_the_title() -> None:
    assert set(roles("Master Plan_Kick.wav", "Master Plan_Snare.wav").values()) == {"track"}
    assert roles("Echo_Kick.wav", "Echo_Verb.wav") == {
        "Echo_Kick.wav": "track",
        "Echo_Verb.wav": "effect-return",
    }


def test_a_role_that_all_names_begin_with_is_heard_if_nothing_else_is_left() -> None:
    assert set(roles("S_Stem_Drums.wav", "S_Stem_Bass.wav").values()) == {"stem"}
    assert set(roles("Mix 1.wav", "Mix 2.wav").values()) == {"mix"}
    assert set(roles("Bass DI 1.wav", "Bass DI 2.wav").values()) == {"di"}


def test_named_like_submixes_beside_a_mix_are_stems() -> None:
    paths = [f"Song_{name}.wav" for name in ("DRUMS", "BASS", "GTR", "KEYS", "VOX", "FX")]
    found = roles_by_name([*paths, "Song_REF MIX.wav"])
    assert {found[path] for path in paths} == {
        ("stem", "named like a submix, beside the mix Song_REF MIX")
    }
    assert set(roles(*paths).values()) == {"track"}


def test_one_microphone_among_them_and_they_are_tracks() -> None:
    found = roles("Drums.wav", "Bass.wav", "Kick In.wav", "Mix.wav")
    assert found["Drums.wav"] == found["Kick In.wav"] == "track"


def test_beside_a_rough_mix_they_are_tracks() -> None:
    assert roles("Drums.wav", "Bass.wav", "Rough Mix.wav")["Drums.wav"] == "track"


def test_folders_hold_unless_the_name_is_more_special() -> None:
    assert roles(
        "Stems/S_Drums.wav",
        "Stems/S_FX Return.wav",
        "Stems/S_Instrumental.wav",
        "Stems/S_MIX.wav",
        "Stems/S_Click.wav",
        "Mixes/S v3.wav",
        "Mixes/S Instrumental.wav",
        "Rough Mixes/S Mix 2.wav",
        "Alternates/S Mix B.wav",
        "DI/Bass.wav",
        "Multitracks/Bass DI.wav",
        "Multitracks/Drums/Kick.wav",
        "FX Returns/Hall.wav",
        "S Stems 48k24/Vox.wav",
    ) == {
        "Stems/S_Drums.wav": "stem",
        "Stems/S_FX Return.wav": "stem",
        "Stems/S_Instrumental.wav": "stem",
        "Stems/S_MIX.wav": "mix",
        "Stems/S_Click.wav": "click",
        "Mixes/S v3.wav": "mix",
        "Mixes/S Instrumental.wav": "alternate-mix",
        "Rough Mixes/S Mix 2.wav": "rough-mix",
        "Alternates/S Mix B.wav": "alternate-mix",
        "DI/Bass.wav": "di",
        "Multitracks/Bass DI.wav": "di",
        "Multitracks/Drums/Kick.wav": "track",
        "FX Returns/Hall.wav": "effect-return",
        "S Stems 48k24/Vox.wav": "stem",
    }


def test_the_evidence_is_in_words() -> None:
    found = roles_by_name(["Stems/a.wav", "Dawn Mix.wav", "Kick.wav", "1.wav"])
    assert [evidence for _, evidence in found.values()] == [
        "folder Stems",
        "name (mix)",
        "no word in folder or name says more",
        "a name without words",
    ]


@pytest.mark.parametrize(
    ("name", "role", "title"),
    [
        ("Stems", "stem", ()),
        ("Dawn Stems 48k24", "stem", ("dawn",)),
        ("STEMS_Dawn", "stem", ("dawn",)),
        ("Rough Mixes", "rough-mix", ()),
        ("Final Mix", "mix", ()),
        ("Dawn", None, ("dawn",)),
        ("Mixtape Blues", None, ("mixtape", "blues")),
        ("2024", None, ()),
        ("", None, ()),
    ],
)
def test_folder_names(name: str, role: str | None, title: tuple[str, ...]) -> None:
    assert (folder_role(name), folder_title(name)) == (role, title)


@pytest.mark.parametrize(
    ("text", "fields"),
    [
        ("Song_03 Kick-In (v2)", [["song"], ["03", "kick", "in"], ["v", "2"]]),
        ("LeadVox2", [["lead", "vox", "2"]]),
        ("Dawn - Vocal Up", [["dawn"], ["vocal", "up"]]),
        ("OHs", [["ohs"]]),
        ("Gtr.L", [["gtr"], ["l"]]),
        ("Bass D.I.", [["bass", "di"]]),
        ("e\u0301te\u0301", [["\u00e9t\u00e9"]]),
        ("...", []),
    ],
)
def test_words_of_a_name(text: str, fields: list[list[str]]) -> None:
    assert [list(field) for field in fields_of(text)] == fields


def test_a_long_row_of_blanks_or_dashes_takes_no_time() -> None:
    for text in (" " * 50_000, "- " * 25_000, "-" * 50_000, "a." * 25_000, "aB" * 25_000):
        words_of(text)


_part = st.sampled_from(
    ["Kick", "MIX", "Stems", "verb", "_", " ", "DI", "7", "\x00", "é", "-", "/"]
)


@given(st.lists(st.lists(_part, min_size=1, max_size=6).map("".join), max_size=6, unique=True))
def test_every_name_gets_one_of_the_roles_whatever_the_order(names: list[str]) -> None:
    found = roles_by_name(names)
    assert set(found) == set(names)
    assert {role for role, _ in found.values()} <= set(ROLES)
    assert {p: r for p, (r, _) in roles_by_name(names[::-1]).items()} == {
        p: r for p, (r, _) in found.items()
    }
