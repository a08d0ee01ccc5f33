"""Having only the rights that files give, also where the tests run as root."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager

# capabilities(7) and linux/capability.h: what lets root pass permissions by
_OVERRIDE = (1 << 1) | (1 << 2)  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH
_VERSION_3 = 0x20080522
_PR_CAPBSET_DROP = 24  # prctl(2)


class _Header(ctypes.Structure):
    _fields_ = (("version", ctypes.c_uint32), ("pid", ctypes.c_int))


class _Data(ctypes.Structure):
    _fields_ = tuple(
        (name, ctypes.c_uint32) for name in ("effective", "permitted", "inheritable")
    )  # fmt: skip


@contextmanager
def without_rights() -> Iterator[None]:
    """Have this thread, and those it starts, stopped by permissions; undone at the end."""
    if os.geteuid() != 0:
        yield
        return
    libc = ctypes.CDLL(None, use_errno=True)
    before = _effective(libc)
    _set_effective(libc, before & ~_OVERRIDE)
    try:
        yield
    finally:
        _set_effective(libc, before)


def give_up_rights() -> None:
    """The same for this whole program and those it starts, for good; one thread may run yet."""
    if os.geteuid() == 0:
        libc = ctypes.CDLL(None, use_errno=True)
        _set_effective(libc, _effective(libc) & ~_OVERRIDE)
        for capability in (1, 2):
            assert libc.prctl(_PR_CAPBSET_DROP, capability, 0, 0, 0) == 0


def _effective(libc: ctypes.CDLL) -> int:
    header, data = _Header(_VERSION_3, 0), (_Data * 2)()
    assert libc.capget(ctypes.byref(header), data) == 0
    return int(data[0].effective)


def _set_effective(libc: ctypes.CDLL, wanted: int) -> None:
    header, data = _Header(_VERSION_3, 0), (_Data * 2)()
    assert libc.capget(ctypes.byref(header), data) == 0
    data[0].effective = wanted
    assert libc.capset(ctypes.byref(header), data) == 0
