"""Faults of the settings."""


class SettingsError(ValueError):
    """The settings cannot be used. faults: one line each, in the order of the file."""

    def __init__(self, *faults: str) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults
