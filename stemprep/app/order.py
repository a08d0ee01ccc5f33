"""What a delivery takes besides drop and spec: its name, number, date and predecessor."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from datetime import UTC, datetime

from stemprep.app.contents import UNNAMED, session_title
from stemprep.app.inspect import Inspection
from stemprep.errors import UsageError
from stemprep.model.package import Predecessor
from stemprep.naming import portable_path

_HIDING = ".~-"  # would hide the package, name a home folder, or read as an option (``.-x``)


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What a delivery takes besides drop and spec; nothing of it is read from the destination.

    name:        of the package's folder; without a title it comes from the drop's folder.
    name_inside: what the package calls itself; without a title it does not know.
    date:        YYYY-MM-DD for bag-info.txt, from SOURCE_DATE_EPOCH where that is set.
    """

    name: str
    name_inside: str
    number: int
    date: str
    predecessor: Predecessor | None = None


def order_of(inspection: Inspection, predecessor: Predecessor | None) -> Order:
    """The order of a delivery: the sheet's number, else the one after its predecessor's, else 1."""
    session = inspection.measured.session
    sheet = session.sheet
    number = 1 if predecessor is None else predecessor.number + 1
    if sheet is not None and sheet.delivery is not None:
        number = sheet.delivery
    title = session_title(session)
    is_unreleased = sheet is not None and sheet.is_unreleased
    unnamed = UNNAMED if is_unreleased else session.name  # a drop's folder often bears the title
    name = _package_name(title or unnamed, inspection.spec.name, number)
    return Order(
        name=name,
        name_inside=name if title else UNNAMED,
        number=number,
        date=_today(),
        predecessor=predecessor,
    )


def _package_name(title: str, spec_name: str, number: int) -> str:
    words = portable_path(title.replace("/", " ")).split()
    stem = "-".join(words).lstrip(_HIDING) or UNNAMED.replace(" ", "-")
    return f"{stem}_{spec_name}_{number:02d}"


def _today() -> str:
    """The date of bagging; SOURCE_DATE_EPOCH (seconds since 1970, UTC) makes it repeatable."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    try:
        moment = datetime.fromtimestamp(int(epoch), UTC) if epoch else datetime.now(UTC)
    except (ValueError, OverflowError, OSError) as error:
        raise UsageError(
            f"SOURCE_DATE_EPOCH is {epoch!r}: give whole seconds since 1970, or unset it"
        ) from error
    return moment.date().isoformat()


def job_name(inspection: Inspection, order: Order) -> str:
    """The same job has the same staging folder, so that a second run of it is noticed."""
    digest = hashlib.sha256(order.name.encode())
    for file in inspection.measured.files:
        digest.update(file.facts.sha256.encode())
    return digest.hexdigest()[:16]
