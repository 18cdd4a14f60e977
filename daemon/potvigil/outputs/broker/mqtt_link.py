"""Where the MQTT broker is and how to sign in: nothing else of MQTT is loaded where none is configured."""

from dataclasses import dataclass, field
from pathlib import Path

from potvigil.secret_file import SecretFileError, first_line
from potvigil.this_machine import Machine, this_machine


class MqttError(Exception):
    """Root of the errors of MQTT."""


class MqttLinkError(MqttError, ValueError):
    """A broker cannot be reached in this way: a name, file or version that cannot be right."""


class MqttPasswordError(MqttError, OSError):
    """The file with the password cannot be read."""


@dataclass(frozen=True, slots=True)
class MqttLink:
    """Where the broker is, and how to connect.

    version: "5" or "3.1.1". tls: encrypt, and check the broker's certificate against ca_file, or the system's
    authorities where that is None. certificate_file and key_file: our own, for brokers that ask for one.
    client_id: unique at the broker; None for one made of the ids of workshop and machine.
    discovery_prefix: where home automation looks for devices, one topic level; None to tell it nothing.
    """

    host: str
    port: int = 1883
    version: str = "5"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    client_id: str | None = None
    discovery_prefix: str | None = None
    machine: Machine = field(default_factory=this_machine)


@dataclass(frozen=True, slots=True)
class Tried:
    """The result of one try to reach a broker.

    fault: why it does not accept us. other: that another machine publishes as our workshop, and what to do.
    """

    fault: str | None = None
    other: str | None = None


def read_password(path: Path) -> str:
    """Return the first line of a password file. Raises MqttPasswordError."""
    try:
        return first_line(path, "password")
    except SecretFileError as error:
        raise MqttPasswordError(f"MQTT password file {error}") from None
