"""Do the stems add up to the mix, and if not, which file is to blame: computed on arrays.

A ``SumSet`` says what is to be summed and gives the sound in forward passes; ``null_test`` returns
what was found. Memory does not depend on the length of the sound.
"""

from stemprep.null_test.explain import Outcome, null_test, plain_residual
from stemprep.null_test.parts import (
    BlockStream,
    Part,
    Stream,
    SumSet,
    can_be_summed,
    set_of_arrays,
)

__all__ = [
    "BlockStream",
    "Outcome",
    "Part",
    "Stream",
    "SumSet",
    "can_be_summed",
    "null_test",
    "plain_residual",
    "set_of_arrays",
]
