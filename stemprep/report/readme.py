"""README.txt: tells somebody who has only this folder what it is, in words that need no program.

It is read when nobody can be asked any more, so it explains the trade's words and names published
formats; the delivery note inside tells the rest.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from stemprep.model.package import WrittenFile
from stemprep.model.plan import Plan
from stemprep.model.report import Report
from stemprep.model.sheet import SessionSheet
from stemprep.model.words import Container, Role
from stemprep.report import figures
from stemprep.report.layout import Page
from stemprep.report.note import HEARING_WORDS, NOT_NAMED, PROOF_WORDS
from stemprep.report.songs import songs_in_order

FILE_NAME = "README.txt"
_LABEL_WIDTH = 14

GLOSSARY: Mapping[Role, str] = {
    "mix": "the finished balance of a song, before mastering",
    "alternate-mix": "a mix with something left out or changed, such as one without voices",
    "rough-mix": "a quick balance, made while working",
    "listening-reference": "a loud copy for listening; not a source",
    "stem": "a part of the mix, several instruments together; the stems of a song add up to it",
    "track": "one microphone or one instrument as it was recorded",
    "di": "an instrument straight from its output, without an amplifier and a microphone",
    "effect-return": "the sound of an effect alone, such as a reverberation",
    "guide": "played along for orientation, not meant to be heard",
    "talkback": "what was spoken between control room and players",
    "click": "a metronome",
    "document": "no sound",
    "unknown": "sound of which nobody has said what it is",
}
"""The closed list of roles in words for somebody from outside the trade."""

UNITS: Mapping[str, str] = {
    "48 kHz, 24-bit": "a second of sound is 48,000 samples, each a number of 24 binary digits",
    "dBFS": "level in decibels; 0 is the largest number that the file can hold",
    "dBTP": "the same of the true peak, which may lie between two samples (ITU-R BS.1770)",
    "LUFS": "loudness as people hear it, on the same scale (ITU-R BS.1770)",
    "time reference": "where a file begins on the session's clock, in samples since midnight",
}
"""What the figures in note, report and manifest count."""

FORMATS: Mapping[Container, str] = {
    "WAV": "RIFF WAVE, with broadcast data EBU Tech 3285",
    "RF64": "RIFF WAVE over 4 GB, EBU Tech 3306",
    "BW64": "RIFF WAVE over 4 GB, ITU-R BS.2088",
    "RIFX": "RIFF WAVE with big-endian numbers",
    "W64": "RIFF WAVE with 64-bit sizes",
    "AIFF": "Audio Interchange File Format",
    "AIFC": "Audio Interchange File Format with coded sound",
    "CAF": "Core Audio Format",
    "FLAC": "Free Lossless Audio Codec, RFC 9639",
    "MP3": "MPEG-1 or MPEG-2 Audio Layer III, ISO/IEC 11172-3 and 13818-3; lossy",
    "OGG": "Ogg, RFC 3533",
    "MP4": "MPEG-4 file format, ISO/IEC 14496-14",
    "unknown": "not understood",
}


def render_readme(
    report: Report,
    written: Sequence[WrittenFile],
    carried: Sequence[str],
    *,
    package_name: str,
    check_commands: Sequence[tuple[str, str]],
    width: int = 80,
) -> str:
    """Write README.txt; like the delivery note it holds no place, host or clock.

    written: all sound of the package; carried: payload paths of the documents that were dropped.
    """
    page = Page(width=width)
    page.put(f"{package_name}: a recording session, kept whole")
    _put_damaged(page, written)
    _put_what(page, report, written, carried)
    _put_where(page, report.plan)
    _put_words(page, written)
    _put_software(page, report, written)
    _put_left_out(page, report.plan)
    page.head("How to check that it is still whole")
    page.put("Open a terminal in this folder and type one line:", "  ")
    for system, command in check_commands:
        page.put(f"{system}:", "  ")
        page.command(command)
    page.put("Any tool for BagIt packages (RFC 8493) does the same.", "  ")
    page.blank()
    page.put(PROOF_WORDS)
    page.blank()
    page.put(HEARING_WORDS)
    return page.text()


def _put_damaged(page: Page, written: Sequence[WrittenFile]) -> None:
    damaged = [file.plan.path for file in written if file.plan.is_damaged]
    doubtful = [file.plan.path for file in written if file.plan.is_doubtful]
    for heading, paths in (
        ("Damaged: could not be read whole, kept byte for byte as they came", damaged),
        ("Not open to every program, or read otherwise by some; kept byte for byte", doubtful),
    ):
        if paths:
            page.head(heading)
            for path in sorted(paths):
                page.put(f"data/{path}", "  - ")
            page.put("What is wrong with each stands in data/report/qc-report.txt.", "  ")


def _put_what(
    page: Page, report: Report, written: Sequence[WrittenFile], carried: Sequence[str]
) -> None:
    sheet = report.measured.session.sheet or SessionSheet()
    songs = [song for song in songs_in_order(report, written) if song]
    people = ", ".join(filter(None, (sheet.engineer, sheet.contact)))
    page.head("What, who, when")
    lines = [
        ("Artist", sheet.artist or NOT_NAMED),
        ("Title", sheet.title or NOT_NAMED),
        ("Songs", ", ".join(songs)),
        ("Session", sheet.date or _days_of(written)),
        ("Engineer", people or NOT_NAMED),
        ("Rights", sheet.rights or "not stated; ask before any use"),
        ("Sound", _sound_words(written)),
        ("Documents", figures.plural(len(carried), "file")),
    ]
    if sheet.is_unreleased:
        lines.append(("Caution", "was unreleased when it was packed"))
    for label, words in lines:
        if words:
            page.fact(label, words, indent=2, label_width=_LABEL_WIDTH)
    if sheet.notes:
        page.put(sheet.notes, "  ")


def _days_of(written: Iterable[WrittenFile]) -> str:
    """The days that the files themselves state (bext origination date), where people gave none."""
    stated = (file.after.header.bext for file in written if not file.made_by_us)
    days = Counter(bext.origination_date for bext in stated if bext and bext.origination_date)
    if not days:
        return "day not given"
    first, last = min(days), max(days)
    span = first if first == last else f"{first} to {last}"
    count = days.total()
    verb = "says" if count == 1 else "say"
    return f"{span}, as {figures.plural(count, 'file')} {verb}; nobody gave the day"


def _sound_words(written: Iterable[WrittenFile]) -> str:
    """``24 files: WAV, 48 kHz, 24-bit``; of several formats the number of files of each."""
    forms = Counter(
        figures.format_words(file.after.format).rpartition(", ")[0] or "not understood"
        for file in written
    )
    kinds = [f"{form} ({figures.plural(count, 'file')})" for form, count in forms.most_common()]
    if len(forms) == 1:
        kinds = [*forms]
    return f"{figures.plural(forms.total(), 'file')}: {'; '.join(kinds)}"


def _put_where(page: Page, plan: Plan | None) -> None:
    page.head("Where to look")
    companions = () if plan is None else plan.companions
    places = [
        ("data/", "everything that was handed in, under the names and in the folders that it had"),
        ("data/delivery-note.txt", "every file with its length and what its session sheet says"),
        ("data/report/", "what was measured and found, as page (HTML), text and data (JSON)"),
        ("data/manifest.csv", "every file with its checksums, as a table; manifest.json has more"),
        *((f"data/{made.path}", made.words) for made in companions),
        ("manifest-*.txt", "the checksums that prove it whole"),
        ("bag-info.txt", "the day on which it was packed, its size, whom to ask"),
    ]
    for place, words in places:
        page.put(place, "  ", "    ")
        page.put(words, "    ")


def _put_words(page: Page, written: Sequence[WrittenFile]) -> None:
    page.head("Words of the trade, as the files here are called")
    roles = {file.plan.role for file in written}
    for role, words in GLOSSARY.items():
        if role in roles:
            page.put(f"{role}: {words}", "  - ")
    page.head("Figures in the note, the report and the manifest")
    for unit, words in UNITS.items():
        page.put(f"{unit}: {words}", "  - ")


def _put_software(page: Page, report: Report, written: Sequence[WrittenFile]) -> None:
    page.head("Software and formats")
    copies = sum(file.plan.is_copy for file in written)
    page.put(
        f"Checked and packed by a program named stemprep, version {report.stemprep_version}, by "
        f"its set of rules '{report.spec_name}'; nothing here needs it. Of "
        f"{figures.plural(len(written), 'sound file')}, {copies} "
        f"{'is' if copies == 1 else 'are'}, byte for byte, as handed in.",
        "  - ",
    )
    headers = [facts.header for file in written for facts in file.before]
    origins = Counter(header.bext.originator for header in headers if header.bext is not None)
    for origin, count in sorted(origins.items()):
        if origin:
            page.put(f"Named as the writer of {figures.plural(count, 'file')}: {origin}", "  - ")
    containers = {file.after.format.container for file in written if file.after.format}
    for container, words in FORMATS.items():
        if container in containers:
            page.put(f"{container}: {words}", "  - ")
    page.put("This folder: BagIt 1.0, RFC 8493.", "  - ")


def _put_left_out(page: Page, plan: Plan | None) -> None:
    if plan is None or not plan.left_out:
        return
    page.head("Not kept")
    for item in plan.left_out:
        page.put(f"{item.path}: {item.reason}", "  - ")
