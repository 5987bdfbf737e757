"""What is broken: the exceptions Soilward raises. What the field does is a value with a reason instead."""

import errno


class SoilwardError(Exception):
    """Anything Soilward itself reports as broken; its text is meant for a person."""


class SettingsError(SoilwardError):
    """Settings that cannot be used; holds every fault found, not only the first."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class StoreError(SoilwardError):
    """A database that cannot be opened, is newer than this program, or is held by another."""


class BrokerError(SoilwardError):
    """A broker that cannot be started or reached."""


_FULL = {errno.ENOSPC, errno.EDQUOT}
_MISPLACED = {
    errno.EEXIST, errno.ENOENT, errno.EACCES, errno.EPERM, errno.ENOTDIR, errno.EISDIR, errno.EROFS,
    errno.ENAMETOOLONG, errno.ELOOP,
}  # fmt: skip


def of_the_disk(error: OSError) -> str:
    """Say what a person can mend: a place that is none, or a disk without room; "" for a fault of the program."""
    if error.errno in _FULL:
        return f"nothing can be written ({error.strerror}); free some room on the disk, then try again"
    if error.errno not in _MISPLACED or error.filename is None:
        return ""
    return f"{error.filename}: {error.strerror}; name another place, or correct its permissions"
