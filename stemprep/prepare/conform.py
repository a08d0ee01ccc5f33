"""Rate, level, word length and container: alike for all that must add up, or left alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from stemprep.model.facts import SongFacts
from stemprep.model.finding import Finding
from stemprep.model.header import RF64_ABOVE_BYTES, WAV_FAMILY, AudioFormat
from stemprep.model.session import MeasuredFile
from stemprep.model.sheet import SongNote
from stemprep.model.words import Container
from stemprep.prepare.draft import (
    ADDING_ROLES,
    Draft,
    at_rate,
    is_editable,
    sound_of,
    with_step,
)
from stemprep.prepare.reshape import Wishes, adds_up, order_of
from stemprep.units import SILENCE_DB


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """One song: its files, what is known of them, what the sheet says."""

    title: str
    files: tuple[MeasuredFile, ...]
    facts: SongFacts | None
    note: SongNote | None

    @property
    def gain_db(self) -> float:
        """The common gain that a person ordered, if all can have it; 0 where none was."""
        ordered_db = 0.0 if self.note is None else self.note.gain_db or 0.0
        return 0.0 if self.gain_obstacles else ordered_db

    @property
    def gain_obstacles(self) -> tuple[str, ...]:
        """Files that must add up with others and can only be copied."""
        return tuple(
            file.path for file in self.files if file.role in ADDING_ROLES and not is_editable(file)
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """Why an ordered gain is given to no file."""
        if not self.gain_obstacles or self.note is None or not self.note.gain_db:
            return ()
        names = ", ".join(self.gain_obstacles)
        return (
            f"No file gets the ordered gain of {self.note.gain_db:+.1f} dB: {names} can only be "
            "copied, and level changes for all that must add up or for nothing.",
        )


def at_target_rate(draft: Draft, song: Song, wishes: Wishes) -> Draft:
    """Convert an odd rate where the spec names a target and allows the conversion.

    A file whose label is in doubt is left: converted by a wrong label it is out of tune for good.
    One whose speed a person ordered to be undone is converted from the rate at which it runs.
    """
    if order_of(draft.first).true_rate_hz is not None:
        return _at_its_true_speed(draft, song)
    if draft.first.path in wishes.doubted_rates:
        return draft
    wanted = wishes.spec.target.sample_rate_hz
    if wanted == "song":
        to_hz = None if song.facts is None else song.facts.sample_rate_hz
    else:
        to_hz = None if wanted == "source" else wanted
    from_hz = draft.form.sample_rate_hz
    if to_hz is None or to_hz == from_hz or not wishes.is_allowed("convert-rate"):
        return draft
    converted = at_rate(draft, to_hz)
    return with_step(
        converted,
        "convert-rate",
        reason=f"the song runs at {to_hz / 1000:g} kHz"
        if wanted == "song"
        else f"the spec asks for {to_hz / 1000:g} kHz",
        evidence=_rate_evidence(song, to_hz) if wanted == "song" else f"spec {wishes.spec.name}",
        from_hz=from_hz,
        to_hz=to_hz,
        quality="soxr VHQ",
    )


def _at_its_true_speed(draft: Draft, song: Song) -> Draft:
    true_hz = order_of(draft.first).true_rate_hz
    assert true_hz is not None, "a speed was ordered to be undone"
    song_hz = None if song.facts is None else song.facts.sample_rate_hz
    to_hz = song_hz or draft.form.sample_rate_hz
    return with_step(
        at_rate(draft, to_hz, true_hz),
        "convert-rate",
        reason="its samples run at another rate than its header says",
        evidence="ordered in the session sheet of the return for this file",
        from_hz=draft.form.sample_rate_hz,
        true_hz=true_hz,
        to_hz=to_hz,
        quality="soxr VHQ" if true_hz != to_hz else "no sample is changed",
    )


def _rate_evidence(song: Song, rate_hz: int) -> str:
    rates = [file.facts.format.sample_rate_hz for file in song.files if file.facts.format]
    return f"{rates.count(rate_hz)} of {len(rates)} files of the song"


def at_ordered_level(draft: Draft, song: Song, notes: list[str]) -> Draft:
    """Apply the song's common gain, and what was ordered for a track by name."""
    order = order_of(draft.first)
    if order.invert_polarity:
        draft = with_step(
            draft,
            "gain",
            reason="polarity inverted",
            evidence="ordered in the session sheet for this file",
            gain_db=0.0,
            is_inverted=True,
        )
    if draft.role in ADDING_ROLES and song.gain_db:
        draft = _with_gain(
            draft, song.gain_db, "ordered in the session sheet for the song: mixes and stems alike"
        )
    if not order.gain_db:
        return draft
    if adds_up(draft.first, song.files):
        notes.append(
            f"{draft.first.path} keeps its level: it must add up to the mix, so a gain is ordered "
            "for the song or for nothing."
        )
        return draft
    return _with_gain(draft, order.gain_db, "ordered in the session sheet for this file")


def _with_gain(draft: Draft, gain_db: float, evidence: str) -> Draft:
    louder = replace(draft, peak_dbfs=draft.peak_dbfs + gain_db, is_computed=True)
    return with_step(louder, "gain", reason="level ordered", evidence=evidence, gain_db=gain_db)


def at_target_word(draft: Draft, song: Song, wishes: Wishes) -> Draft:
    """Give the result its word length: dither where it was computed, exact where it was not."""
    form = draft.form
    to_form = _target_form(draft, song, wishes)
    if to_form.encoding == "float":
        return draft
    is_shorter = to_form.bit_depth < _bits_in_use(draft)
    if to_form == form and not draft.is_computed:
        return draft
    needs_dither = draft.is_computed or is_shorter
    return with_step(
        draft,
        "convert-word-length",
        form=to_form,
        reason=_word_reason(form, to_form),
        evidence="a computed result is rounded once, with dither"
        if needs_dither
        else "no sample value changes",
        from_bits=form.bit_depth,
        to_bits=to_form.bit_depth,
        dither="tpdf" if needs_dither else "none",
    )


def _word_reason(form: AudioFormat, to_form: AudioFormat) -> str:
    if form.encoding == "float":
        return f"float becomes {to_form.bit_depth} bits, as the spec asks"
    if form.bit_depth == to_form.bit_depth:
        return f"the result goes back to the file's own {form.bit_depth} bits"
    return f"{form.bit_depth} bits become {to_form.bit_depth}, as the spec asks"


def _bits_in_use(draft: Draft) -> int:
    """Longest word that any source really uses."""
    used = [sound_of(file).word.effective_bit_depth for file in draft.sources]
    return max(draft.form.bit_depth if bits is None else bits for bits in used)


def _target_form(draft: Draft, song: Song, wishes: Wishes) -> AudioFormat:
    form, target = draft.form, wishes.spec.target
    bits = _song_bits(form, song) if target.bit_depth == "song" else target.bit_depth
    is_kept = form.encoding == "float" and (target.is_float_kept or bits == form.bit_depth)
    if bits in ("source", None) or is_kept or not wishes.is_allowed("convert-word-length"):
        return form
    assert isinstance(bits, int), "the other words were dealt with"
    return replace(form, encoding="integer", bit_depth=bits, container_bits=-(-bits // 8) * 8)


def _song_bits(form: AudioFormat, song: Song) -> int | None:
    """Word length of the song where it is a longer integer word; shorter would only lose sound."""
    bits = None if song.facts is None else song.facts.bit_depth
    if bits is None or bits > 24:  # a song in float: an integer file gains nothing by it
        return None
    return bits if form.encoding == "float" or bits > form.bit_depth else None


def in_target_container(draft: Draft, wishes: Wishes) -> Draft:
    """Choose the container; what was worked on is written as WAV, or RF64 over 4 GB."""
    form, file = draft.form, draft.first
    is_asked = wishes.spec.target.container == "WAV" and form.container not in WAV_FAMILY
    is_refused = wishes.is_wanted("rewrap", "container", file)
    is_wrong = form.container not in WAV_FAMILY and wishes.is_wanted("rewrap", "header", file)
    if draft.steps or is_asked or is_refused or is_wrong:
        container = _wav_or_rf64(draft)
        written = replace(form, container=container)
        if container == form.container:
            return draft
        return with_step(
            draft,
            "rewrap",
            form=written,
            reason="prepared files are written as WAV, over 4 GB as RF64"
            if draft.steps
            else "its header is wrong"
            if is_wrong and not (is_asked or is_refused)
            else f"the receiver takes no {form.container}",
            evidence=f"spec {wishes.spec.name}",
            from_container=form.container,
            to_container=container,
        )
    return _copied(draft, wishes)


def _wav_or_rf64(draft: Draft) -> Container:
    size_bytes = draft.frames * draft.form.frame_bytes
    return "RF64" if size_bytes > RF64_ABOVE_BYTES else "WAV"


def _copied(draft: Draft, wishes: Wishes) -> Draft:
    """Copy the file, or its sound where headers are written or a wrong one is put right."""
    has_own_range = draft.first.facts.header.data_size_bytes > 0
    is_wrong = wishes.is_wanted("rewrap", "header", draft.first) or wishes.is_wanted(
        "copy-audio", "header", draft.first
    )
    if has_own_range and (is_wrong or wishes.spec.operations.base == "copy-audio"):
        form = replace(draft.form, container=_wav_or_rf64(draft))
        reason = "its header is wrong" if is_wrong else "the sound needs no change"
        return with_step(draft, "copy-audio", form=form, reason=reason)
    return with_step(draft, "copy", reason="nothing needs to change")


def level_blockers(drafts: Sequence[Draft], song: Song) -> list[Finding]:
    """Files that would have to be clipped to fit an integer word; each states the gain needed."""
    over = [draft for draft in drafts if _is_over(draft)]
    adding = [draft for draft in over if draft.role in ADDING_ROLES]
    together_dbfs = max((draft.peak_dbfs for draft in adding), default=SILENCE_DB)
    return [
        _level_blocker(
            draft, song, together_dbfs if draft.role in ADDING_ROLES else draft.peak_dbfs
        )
        for draft in over
    ]


def _is_over(draft: Draft) -> bool:
    return draft.is_over_possible and draft.peak_dbfs > 1e-6  # full scale itself fits


def _level_blocker(draft: Draft, song: Song, peak_dbfs: float) -> Finding:
    gain_db = -math.ceil((peak_dbfs + 0.01) * 10) / 10  # a hundredth of a dB below full scale
    is_common = draft.role in ADDING_ROLES
    what = "sample-rate conversion" if draft.has("convert-rate") else "the change of word length"
    return Finding(
        check="true-peak" if draft.has("convert-rate") else "sample-peak",
        severity="fail",
        file=draft.first.path,
        files=tuple(file.path for file in draft.sources),
        song=song.title,
        message=f"would reach {draft.peak_dbfs:+.1f} dBFS after {what}; a "
        f"{draft.form.bit_depth}-bit file ends at 0 dBFS, and nothing is clipped silently",
        advice=(
            f"Order a gain of {song.gain_db + gain_db:.1f} dB for the song in session.yaml; it "
            "goes to its mixes and stems alike."
            if is_common
            else f"Order a gain of {gain_db:.1f} dB for this file in session.yaml, or export it "
            "lower."
        ),
        found=round(draft.peak_dbfs, 2),
        required=0.0,
        unit="dBFS",
    )
