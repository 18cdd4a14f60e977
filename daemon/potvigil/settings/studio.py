"""The settings of the studio: one database for the records of many machines."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from potvigil.settings.block import Block, need
from potvigil.settings.network import MqttSettings, PageSettings, is_loopback
from potvigil.settings.values import File, Host, SecretFile, Text, YesNo


class StudioSettings(Block):
    """The PostgreSQL database that this machine's record is shipped to.

    standby: a replica's host, used once it is the one that accepts writes. ca_file: the authority of the
    servers, None for the system's list. curve: samples as they are, or as means
    of a minute. pictures: those of casts, too. Beyond this machine the connection is always encrypted.
    """

    host: Host = need("studio.local")
    standby: Host | None = None
    port: Annotated[int, Field(ge=1, le=65535)] = 5432
    database: Text = "potvigil"
    username: Text = need("lantern-pi")
    password_file: SecretFile | None = Field(None, validate_default=True)
    ca_file: File | None = None
    curve: Literal["full", "minute"] = "full"
    pictures: YesNo = True

    @field_validator("password_file")
    @classmethod
    def _beyond_this_machine(cls, value: Path | None, info: ValidationInfo) -> Path | None:
        host = info.data.get("host")
        if value is None and host is not None and not is_loopback(host):
            raise ValueError("is missing; `potvigil studio admit` on the studio's machine makes the password")
        return value

    @property
    def encrypted(self) -> bool:
        return not all(is_loopback(host) for host in (self.host, self.standby or self.host))


class StudioPageSettings(Block):
    """A page of all records: where they are and who reads them, where the page is, and the watches' broker.

    The keys are those of a workshop's settings; of `studio` only those that say where and who. mqtt: None for
    no live values, and no acknowledging.
    """

    studio: StudioSettings = need(
        "{host: studio.local, username: front-desk, password_file: studio-password}"
    )
    page: PageSettings = Field(default_factory=lambda: PageSettings.model_validate({}))
    mqtt: MqttSettings | None = None
