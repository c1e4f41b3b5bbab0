"""The sections of the settings, each with its built-in values."""

from __future__ import annotations

from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, SecretStr


class Section(BaseModel):
    """Base of the sections: nothing unknown."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class JournalSettings(Section):
    """The journal on this machine's disk."""

    path: Path = Path("weirkeeper.journal")
    size_limit_mib: Annotated[int, Field(ge=16, description="oldest records go beyond it")] = 2048
    commit_period_s: Annotated[
        float, Field(ge=0, le=10, description="least time between two commits")
    ] = 0.05
    alive_period_s: Annotated[
        float, Field(ge=1, le=600, description="how often 'still watching' is noted")
    ] = 15.0


class MqttSettings(Section):
    """An MQTT 5 broker."""

    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    root: Annotated[
        str, Field(pattern=r"^[^+#/\s\x00$]+(/[^+#/\s\x00]+)*$", description="first topic level")
    ] = "weirkeeper"
    client_id: str | None = None
    user: str | None = None
    password: SecretStr | None = None
    tls: bool = False
    authority_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    window: Annotated[int, Field(ge=1, le=1000, description="messages sent but not confirmed")] = (
        100
    )
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    actions: Annotated[
        bool, Field(description="take what people do, said by users whom the broker knows")
    ] = False

    @property
    def authenticated(self) -> bool:
        """Whether the broker can know who we are, and so who anybody is."""
        by_password = self.user is not None and self.password is not None
        return by_password or (self.tls and self.certificate_file is not None)


class StoreSettings(Section):
    """A time-series store that takes line protocol over HTTP (the version 2 write call)."""

    url: Annotated[
        str,
        Field(
            pattern=r"^https?://[^@\s/?#]+(/[^@\s?#]*)?$",
            json_schema_extra={
                "words": "an address such as http://127.0.0.1:8428, without user and password"
            },
        ),
    ]
    organisation: str = "-"
    bucket: str = "weirkeeper"
    token: SecretStr | None = None
    authority_file: Path | None = None
    batch: Annotated[int, Field(ge=1, le=10000)] = 500
    timeout_s: Annotated[float, Field(ge=0.5, le=120)] = 10.0


class RulesSettings(Section):
    """The alarm rules in force."""

    paths: Annotated[
        tuple[Path, ...] | None,
        Field(description="rule files and directories of them; the shipped rules if not said"),
    ] = None


class AuditSettings(Section):
    """The audited record of alarms and actions; its key lies beside the journal if not said."""

    key_file: Path | None = None
    keep_years: Annotated[float, Field(ge=1, le=100, description="least time it is kept")] = 5.0


class BackupSettings(Section):
    """Copies of the journal, one a day, in a directory that should be on another disk."""

    directory: Path
    keep: Annotated[int, Field(ge=1, le=1000, description="copies that stay")] = 7


class PageSettings(Section):
    """The page that the daemon serves; there is none without this section."""

    host: Annotated[str, Field(min_length=1, description="address to listen at")] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535, description="0 for any that is free")] = 8710
    names: Annotated[
        tuple[str, ...], Field(description="host names it is called by, beside 'localhost'")
    ] = ()
    password_file: Annotated[
        Path | None, Field(description="as 'weirkeeper password' writes it")
    ] = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    unprotected: Annotated[
        bool, Field(description="let the network see it without password or without TLS")
    ] = False

    @property
    def own_machine_only(self) -> bool:
        """Whether only this machine itself can reach it."""
        if self.host == "localhost":
            return True
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def protected(self) -> bool:
        """Whether strangers neither get in nor can read along."""
        return self.password_file is not None and self.certificate_file is not None


class LogSettings(Section):
    """The daemon's own log."""

    format: Literal["auto", "text", "json"] = "auto"
    level: Literal["debug", "info", "warning", "error"] = "info"
