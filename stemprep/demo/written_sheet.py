"""The demo's session sheet, as its invented producer would have typed it."""

SHEET = """\
# What the files do not say. Everything here is invented.
artist: The Quillmoor Lantern Band
artist_initials: QL
title: Slow Ferry Home
engineer: M. Kestrel
mixer_initials: MK
contact: control room at Quillmoor Mill, extension 12
rights: The Quillmoor Lantern Band
date: "2031-05-02"

songs:
  - title: Slow Ferry Home
    files: ["*"]
    bar_1:
      timecode: "10:00:01:00"
      frame_rate: 25
    count_in_bars: 1
    tempo_map:
      - bar: 1
        tempo_bpm: 92
        meter: 4/4
    sections:
      - name: Verse
        bar: 1
      - name: Turnaround
        bar: 5
    reference_mix: Reference Mix.wav

tracks:
  - file: "01 Kick In.wav"
    source: kick drum
    microphone: inside, a hand from the beater
    group: drums
  - file: "02 Snare Top.wav"
    source: snare drum
    group: drums
  - file: "03 Snare Bottom.wav"
    source: snare drum
    microphone: under the drum, so its polarity is inverted by design
    group: drums
  - file: "0? Overhead*.wav"
    group: drums
  - file: "06 Room.wav"
    microphone: one omni, 4.7 m from the kit
    group: drums
  - file: "10 Voice*"
    source: voice
    notes: mono; came out of the export as two sides
    order:
      fold_mono: true
"""
