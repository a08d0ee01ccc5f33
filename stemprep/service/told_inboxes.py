"""What the log tells of inboxes: drops that are held back, and inboxes that are out of reach."""

from __future__ import annotations

from dataclasses import dataclass, field

import structlog

from stemprep.service.arrivals import Held


@dataclass(slots=True, kw_only=True)
class ToldInboxes:
    """Writes each thing into the log once.

    is_title_told: whether drops may be named.
    unreachable:   numbers of the inboxes that cannot be listed now, from 0.
    """

    is_title_told: bool
    unreachable: set[int] = field(default_factory=set)

    def hold(self, held: Held, jobs: list[int]) -> None:
        """Tell why a drop is held back, or that it is not any more."""
        if held.is_closed and held.is_lasting:
            return  # it was told when it began
        told = {"drop": held.name, "detail": held.detail} if self.is_title_told else {}
        numbers = {"job": ",".join(map(str, jobs))} if jobs else {}
        place = {"inbox": held.inbox_index + 1, **numbers, **told}
        if held.reason:
            _log().warning("held back", reason=held.reason, **place)
        else:
            _log().info("held back no longer", **place)

    def reach(self, unreachable: tuple[Held, ...]) -> None:
        """Tell which inboxes cannot be listed any more, and which can again."""
        now = {held.inbox_index: held.reason for held in unreachable}
        for index in now.keys() - self.unreachable:
            _log().error("inbox out of reach", inbox=index + 1, reason=now[index])
        for index in self.unreachable - now.keys():
            _log().info("inbox within reach again", inbox=index + 1)
        self.unreachable = set(now)


def _log() -> structlog.typing.FilteringBoundLogger:
    log: structlog.typing.FilteringBoundLogger = structlog.get_logger()
    return log
