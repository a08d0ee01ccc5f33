"""The error tree. A bad file is a finding; these are for what stops a command.

    StemprepError            exit code
    |-- UsageError           2   the command line asks for something impossible
    |-- SpecError            3   a spec, config or session sheet does not hold
    |-- InputError           4   the drop is missing, unlistable or without audio
    |-- PrepareError         5   an operation could not be carried out as planned
    `-- DeliveryError        5   a package could not be published or verified
        `-- NoRoomError      5   a disk has less room than is needed

Every constructor argument goes positionally to ``super().__init__`` so that an
error survives pickling on its way out of a worker process.
"""

from __future__ import annotations

from typing import ClassVar


class StemprepError(Exception):
    """Base of all errors that a user or a machine, not a bug, has caused."""

    exit_code: ClassVar[int] = 70


class UsageError(StemprepError):
    """Options that contradict each other or name an impossible place."""

    exit_code = 2


class SpecError(StemprepError):
    """One or more errors in a YAML file, told all at once.

    problems: one line each, ``file:line:column: where: what was found; what is allowed``.
    """

    exit_code = 3

    def __init__(self, problems: tuple[str, ...]) -> None:
        super().__init__(problems)
        self.problems = problems

    def __str__(self) -> str:
        return "\n".join(self.problems)


class InputError(StemprepError):
    """The drop cannot be read at all."""

    exit_code = 4


class PrepareError(StemprepError):
    """A planned operation did not give what the plan promised."""

    exit_code = 5


class DeliveryError(StemprepError):
    """Nothing was published, or what lies there is not what was published."""

    exit_code = 5


class NoRoomError(DeliveryError):
    """A disk has less room than what is to be written there needs; with room it goes on."""
