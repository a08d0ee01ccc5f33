"""Operations that move or pick samples never change one."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.prepare import Source, render
from tests import signals
from tests.prepare.rendering import codes_of, dithered, form, output, rendered, source, step

SIZES = st.lists(st.integers(1, 200), min_size=1, max_size=4)


def music(channels: int = 2, frames: int = 480) -> np.ndarray:
    return signals.noise(peak_dbfs=-1, seconds=frames / 48_000, channels=channels)


@pytest.mark.parametrize("bits", [8, 16, 20, 24, 32])
def test_no_operation_is_bit_identical(bits: int) -> None:
    samples = music()
    samples[0, :4] = [-1.0, 1.0, 0.0, -0.5]
    plan = output([step("rewrap")], form(bits, channels=2), 480)
    _, codes = rendered(plan, source(samples, form(bits, channels=2)))
    assert codes is not None
    assert np.array_equal(codes, codes_of(samples, bits))


@pytest.mark.parametrize("bits", [32, 64])
def test_float_is_bit_identical_above_full_scale_too(bits: int) -> None:
    samples = 3 * music()
    samples = samples.astype(np.float32).astype(np.float64) if bits == 32 else samples
    samples[0, 0] = -0.0
    float_form = form(bits, channels=2, is_float=True)
    got, _ = rendered(output([step("rewrap")], float_form, 480), source(samples, float_form))
    assert got.tobytes() == samples.tobytes()


@given(
    head=st.integers(0, 300),
    tail=st.integers(0, 300),
    sizes=SIZES,
    bits=st.sampled_from([16, 24, 32]),
)
def test_trim_after_pad_is_the_identity(head: int, tail: int, sizes: list[int], bits: int) -> None:
    steps = [
        step("pad", head_samples=head, tail_samples=tail),
        step("trim", head_samples=head, tail_samples=tail),
    ]
    samples = music()
    plan = output(steps, form(bits, channels=2), 480)
    _, codes = rendered(plan, source(samples, form(bits, channels=2), sizes=sizes))
    assert codes is not None
    assert np.array_equal(codes, codes_of(samples, bits))


@given(head=st.integers(-600, 600), sizes=SIZES)
def test_place_shifts_and_adds_exact_silence(head: int, sizes: list[int]) -> None:
    samples = music(1)
    frames = max(0, 480 + head)
    plan = output([step("place", head_samples=head)], form(24), frames)
    _, codes = rendered(plan, source(samples, form(24), sizes=sizes))
    expected = codes_of(samples, 24)[max(0, -head) :]
    assert codes is not None
    assert not codes[: max(0, head)].any()
    assert np.array_equal(codes[max(0, head) :], expected)


def test_split_takes_the_named_channel() -> None:
    samples = music(6)
    plan = output([step("split", channel=5)], form(24), 480, source_channels=(5,))
    _, codes = rendered(plan, source(samples, form(24, channels=6)))
    assert codes is not None
    assert np.array_equal(codes[:, 0], codes_of(samples, 24)[:, 4])


@given(left=SIZES, right=SIZES)
def test_join_keeps_both_sides(left: list[int], right: list[int]) -> None:
    samples = music(2)
    plan = output([step("join")], form(24, channels=2), 480, sources=("l.wav", "r.wav"))
    _, codes = rendered(
        plan,
        source(samples[:1], form(24), sizes=left),
        source(samples[1:], form(24), sizes=right),
    )
    assert codes is not None
    assert np.array_equal(codes, codes_of(samples, 24))


def test_join_refuses_files_that_differ() -> None:
    plan = output([step("join")], form(24, channels=2), 480, sources=("l.wav", "r.wav"))
    with pytest.raises(PrepareError, match=r"r\.wav: cannot be joined"):
        rendered(plan, source(music(1), form(24)), source(music(1, 481), form(24)))


def test_fold_takes_one_side_unchanged() -> None:
    samples = music(2)
    plan = output([step("fold-mono", channel=2)], form(16), 480)
    _, codes = rendered(plan, source(samples, form(16, channels=2)))
    assert codes is not None
    assert np.array_equal(codes, codes_of(samples[1:], 16))


def test_inverted_polarity_is_exact() -> None:
    plan = output([step("gain", gain_db=0.0, is_inverted=True)], form(24), 480)
    _, codes = rendered(plan, source(music(1), form(24)))
    assert codes is not None
    assert np.array_equal(codes, -codes_of(music(1), 24))


@pytest.mark.parametrize("sizes", [(100,), (480,), (481,)])
def test_sources_are_read_to_their_end(sizes: tuple[int, ...]) -> None:
    """The reader compares its hash after the last block, so a cut tail must be read as well."""
    ends: list[str] = []

    def watched(name: str) -> object:
        inner = source(music(1), form(24), sizes=sizes)
        blocks = inner.blocks

        def run():  # type: ignore[no-untyped-def]
            yield from blocks
            ends.append(name)

        return inner.__class__(
            format=inner.format, audio_sha256="00" * 32, frames=inner.frames, blocks=run()
        )

    steps = [step("join"), step("trim", tail_samples=470)]
    plan = output(steps, form(24, channels=2), 10, sources=("l.wav", "r.wav"))
    rendered(plan, watched("l"), watched("r"))  # type: ignore[arg-type]
    assert sorted(ends) == ["l", "r"]


def test_a_source_of_another_length_is_refused() -> None:
    short = source(music(1), form(24))
    lying = short.__class__(
        format=short.format, audio_sha256="00" * 32, frames=481, blocks=short.blocks
    )
    with pytest.raises(PrepareError, match=r"481 samples per channel when it was checked, 480 now"):
        rendered(output([step("rewrap")], form(24), 481), lying)


def test_a_plan_that_promises_another_length_is_refused() -> None:
    with pytest.raises(PrepareError, match="the plan promises"):
        rendered(output([step("rewrap")], form(24), 479), source(music(1), form(24)))


def test_a_step_without_its_parameter_is_refused() -> None:
    for broken in (step("place"), step("place", head_samples=1.5), step("gain", gain_db="loud")):
        with pytest.raises(PrepareError, match="not a"):
            rendered(output([broken], form(24), 480), source(music(1), form(24)))


def test_memory_does_not_grow_with_length() -> None:
    def peak_bytes(seconds: int) -> int:
        frames = seconds * 48_000
        block = SoundBlock(samples=np.full((2, 48_000), 0.1), codes=None)
        long = Source(
            format=form(32, channels=2, is_float=True),
            audio_sha256="ab" * 32,
            frames=frames,
            blocks=(block for _ in range(seconds)),
        )
        steps = dithered(24, step("convert-rate", from_hz=48_000, to_hz=44_100))
        target = form(24, channels=2, rate_hz=44_100)
        tracemalloc.start()
        for _ in render(output(steps, target, seconds * 44_100), [long]):
            pass
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    assert peak_bytes(40) < 1.2 * peak_bytes(10)
