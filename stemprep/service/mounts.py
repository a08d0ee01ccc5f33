"""Which mount a folder lies on, and what tells its disk again after the machine was restarted."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

SHARES = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "ceph", "afs", "glusterfs"})
"""Kinds of file systems that lie on another machine; ``fuse.*`` may too."""
_LASTING_IDS = frozenset({"ext2", "ext3", "ext4", "btrfs", "zfs"})
"""Kinds that make f_fsid of statvfs(3) from an identity of their own, not from device numbers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """One line of proc_pid_mountinfo(5).

    number: of the mount; taken anew for each, but only while nobody holds a file on the old one.
    kind:   of the file system. source: what was mounted, as the system tells it.
    """

    number: int
    kind: str
    source: str


def mount_of(descriptor: int) -> Mount | None:
    """The mount that an open file or folder lies on; None where the system does not tell."""
    number = mount_number(descriptor)
    try:
        text = Path("/proc/self/mountinfo").read_text(errors="surrogateescape")
    except OSError:
        return None
    for line in text.splitlines():
        place, _, system = line.partition(" - ")
        if place.split(" ", 1)[0] == str(number):
            kind, source = system.split(" ")[:2]
            return Mount(number=number, kind=kind, source=source)
    return None


def mount_number(descriptor: int) -> int:
    """Number of the mount, proc_pid_fdinfo(5); 0 where the system does not tell."""
    try:
        lines = Path(f"/proc/self/fdinfo/{descriptor}").read_text().splitlines()
    except OSError:
        return 0
    found = [line.split()[1] for line in lines if line.startswith("mnt_id:")]
    return int(found[0]) if found else 0


def is_share(kind: str) -> bool:
    """Tell whether a file system of this kind lies, or may lie, on another machine."""
    return kind in SHARES or kind.startswith("fuse.")


def disk_of(descriptor: int) -> str:
    """What tells the disk of an open folder from others, the same after every restart.

    The kind of file system; of shares what was mounted; of kinds that have a lasting identity that
    one; and whether it is the disk of the system itself, where folders lie whose share is away.
    """
    mount = mount_of(descriptor)
    parts = [mount.kind if mount is not None else "unknown"]
    if mount is not None and is_share(mount.kind):
        parts.append(mount.source)
    elif mount is not None and mount.kind in _LASTING_IDS:
        parts.append(f"{os.fstatvfs(descriptor).f_fsid:016x}")
    if os.fstat(descriptor).st_dev == os.stat("/").st_dev:  # noqa: PTH116 - beside fstat
        parts.append("(the system's own)")
    return " ".join(parts)
