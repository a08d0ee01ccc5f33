"""Name, number and predecessor of a delivery by the service, told from its own store alone."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, field, replace
from pathlib import Path

from stemprep.app.delivery.contents import UNNAMED, Order, order_of, session_title
from stemprep.app.delivery.prepare import Prepared
from stemprep.model.package import Predecessor
from stemprep.service.drop_content import content_digest
from stemprep.service.jobs import Job, JobColumns
from stemprep.service.outcomes import KnownError
from stemprep.service.store import Store

_TAG_MANIFEST = "tagmanifest-sha256.txt"


@dataclass(slots=True)
class Ordering:
    """Decides one job's order; afterwards ``decided`` holds what the store is to know of it.

    destination: descriptor of the first folder that its packages go to.
    """

    store: Store
    job: Job
    destination: int
    decided: JobColumns = field(default_factory=JobColumns)

    def __call__(self, prepared: Prepared) -> Order:
        """Number after the delivery that this one follows; raises KnownError for the same again."""
        inspection = prepared.inspection
        session = inspection.measured.session
        is_titled = session_title(session) is not None
        first = order_of(inspection, prepared.predecessor)
        stem = first.name.rpartition("_")[0]
        content = content_digest(inspection)
        self.decided = {"stem": stem, "is_titled": int(is_titled), "content": content}
        deliveries = self.store.predecessors(self.job, stem, is_titled=is_titled)
        if not deliveries:
            return self._noted(first)
        *before, earlier = deliveries
        is_same = earlier.content == content
        if is_same and tag_hash(earlier.package, self.destination) == earlier.tag_sha256:
            raise KnownError(earlier)
        predecessor = replace(_identity(earlier), earlier=tuple(map(_identity, before)))
        number = max(earlier.number + 1, first.number)
        name = f"{stem}_{number:02d}"
        return self._noted(
            replace(
                first,
                name=name,
                name_inside=name if is_titled else UNNAMED,
                number=number,
                predecessor=predecessor,
            )
        )

    def _noted(self, order: Order) -> Order:
        self.decided.update({"package": order.name, "number": order.number})
        return order


def _identity(job: Job) -> Predecessor:
    return Predecessor(name=job.package, number=job.number, tag_manifest_sha256=job.tag_sha256)


def package_of(job: Job) -> Path:
    """Where the job's package lies, in its first destination."""
    return Path(job.destination) / job.package


def tag_hash(package: str, folder: int) -> str:
    """sha256 of a package's tag manifest; "" where there is none. Raises OSError but for that.

    folder: descriptor of the folder that the package lies in.
    """
    try:
        descriptor = os.open(
            f"{package}/{_TAG_MANIFEST}", os.O_RDONLY | os.O_CLOEXEC, dir_fd=folder
        )
    except (FileNotFoundError, NotADirectoryError):
        return ""
    with open(descriptor, "rb") as stream:  # noqa: PTH123 - a descriptor
        return hashlib.file_digest(stream, "sha256").hexdigest()
