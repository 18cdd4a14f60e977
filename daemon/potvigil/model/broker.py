"""The state of the connection to the MQTT broker."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BrokerState:
    """is_connected: it listens. trouble: what is wrong there, and what to do; None where all is well."""

    is_connected: bool
    trouble: str | None
