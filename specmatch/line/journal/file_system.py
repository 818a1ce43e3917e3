"""Whether a path lies on a network share, where that can be told."""

import sys
from pathlib import Path

# file systems over a network: their locks are not those that SQLite's write-ahead log rests on
NETWORK_FILE_SYSTEMS = frozenset(
    {"nfs", "nfs4", "cifs", "smb2", "smb3", "smbfs", "afs", "ceph", "fuse.sshfs", "fuse.glusterfs", "davfs",
     "fuse.davfs", "ncpfs", "lustre", "gpfs", "beegfs", "fuse.rclone", "fuse.s3fs"}
)  # fmt: skip


def network_file_system(path: str | Path) -> str | None:
    """Return the kind of network share that a path lies on, or None where it lies on none or that cannot be told."""
    path = Path(path).absolute()
    if sys.platform == "win32":
        return _network_drive(path)
    while not path.exists() and path != path.parent:
        path = path.parent
    try:
        mounts = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    kind = kind_of_mount(mounts, path.resolve())
    return kind if kind in NETWORK_FILE_SYSTEMS else None


def kind_of_mount(mounts: str, path: Path) -> str:
    """Return the file system that a path lies on, by the text of `/proc/self/mountinfo`; "" where none fits."""
    best, kind = -1, ""
    for row in mounts.splitlines():
        left, _, right = row.partition(" - ")
        fields = left.split()
        if len(fields) < 5 or not right:
            continue
        # blanks in a mount point are written as octal numbers
        point = Path(fields[4].replace("\\040", " "))
        if (path == point or point in path.parents) and len(point.parts) >= best:
            best, kind = len(point.parts), right.split()[0]
    return kind


def _network_drive(path: Path) -> str | None:
    if path.drive.startswith("\\\\"):
        return "network path"
    import ctypes

    remote = 4  # DRIVE_REMOTE of the Windows interface
    kind = ctypes.windll.kernel32.GetDriveTypeW(f"{path.drive}\\")  # type: ignore[attr-defined,unused-ignore]
    return "network drive" if kind == remote else None
