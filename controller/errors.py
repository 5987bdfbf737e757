"""What is broken: the exceptions Soilward raises. What the field does is a value with a reason instead."""


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
