"""The settings of the broker and of the page."""

import ipaddress
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from potvigil.settings.block import Block, need
from potvigil.settings.values import File, Host, SecretFile, Text, TopicLevel, YesNo


class TlsSettings(Block):
    """Encryption to the broker. ca_file: None for the system's list. cert_file, key_file: of this client."""

    ca_file: File | None = None
    cert_file: File | None = None
    key_file: SecretFile | None = Field(None, validate_default=True)

    @field_validator("key_file")
    @classmethod
    def _goes_with_cert(cls, value: Path | None, info: ValidationInfo) -> Path | None:
        if "cert_file" in info.data and (value is None) != (info.data["cert_file"] is None):
            raise ValueError("cert_file and key_file go together; give both or neither")
        return value


class MqttSettings(Block):
    """The broker. Its password is in password_file, never in the settings.

    discovery: publish the pots to home automation, under discovery_prefix.
    """

    host: Host = need("broker.local")
    port: Annotated[int, Field(ge=1, le=65535)]
    version: Literal["5", "3.1.1"] = "5"
    client_id: Text | None = None
    username: Text | None = None
    password_file: SecretFile | None = None
    tls: TlsSettings | None = None
    discovery: YesNo = False
    discovery_prefix: TopicLevel = "homeassistant"

    @model_validator(mode="before")
    @classmethod
    def _with_usual_port(cls, tree: Any) -> Any:
        return {"port": "8883" if "tls" in tree else "1883"} | tree if isinstance(tree, dict) else tree

    @field_validator("password_file")
    @classmethod
    def _of_somebody(cls, value: Path, info: ValidationInfo) -> Path:
        if "username" in info.data and info.data["username"] is None:
            raise ValueError("needs a username as well")
        return value


class PageTlsSettings(Block):
    """Encryption of the page: its certificate and the key to it."""

    cert_file: File = need("page.pem")
    key_file: SecretFile = need("page.key")


class PageSettings(Block):
    """The local web page.

    password_file: made by `potvigil page password`. names: accepted besides its own addresses. live: where
    the watch writes its present state, None for the default path.
    """

    host: Host = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 8642
    password_file: SecretFile | None = Field(None, validate_default=True)
    tls: PageTlsSettings | None = None
    names: tuple[Host, ...] = ()
    live: File | None = None

    @field_validator("password_file")
    @classmethod
    def _beyond_this_machine(cls, value: Path | None, info: ValidationInfo) -> Path | None:
        host = info.data.get("host")
        if value is None and host is not None and not is_loopback(host):
            raise ValueError(
                f"is missing: host {host} is open to the network; give one, made by `potvigil page password`"
            )
        return value


def is_loopback(host: str) -> bool:
    """Return whether an address is local to this machine."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
