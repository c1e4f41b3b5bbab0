"""Settings of the daemon: where the journal is, where records go, how it logs.

Sources, the later winning: the built-in values, the settings file, environment variables
(``WEIRKEEPER_JOURNAL__PATH`` for ``journal.path``), systemd credentials (a file named after the
secret in ``$CREDENTIALS_DIRECTORY``). A name nobody knows, in any of them, is an error.
Secrets never stand in the plant file and never in a log.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, SecretStr, ValidationError
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    InitSettingsSource,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from collector.errors import ConfigurationError, Problem

PREFIX = "WEIRKEEPER_"
MEBIBYTE = 1 << 20


class Section(BaseModel):
    """Base of the sections: nothing unknown."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class JournalSettings(Section):
    """The journal on this machine's disk."""

    path: Path = Path("weirkeeper.journal")
    size_limit_mib: Annotated[int, Field(ge=16, description="oldest records go beyond it")] = 2048
    commit_period_s: Annotated[
        float, Field(ge=0, le=10, description="least time between two commits")
    ] = 0.2
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


class StoreSettings(Section):
    """A time-series store that takes line protocol over HTTP (the version 2 write call)."""

    url: Annotated[str, Field(pattern=r"^https?://")]
    organisation: str = "-"
    bucket: str = "weirkeeper"
    token: SecretStr | None = None
    authority_file: Path | None = None
    batch: Annotated[int, Field(ge=1, le=10000)] = 500
    timeout_s: Annotated[float, Field(ge=0.5, le=120)] = 10.0


class LogSettings(Section):
    """The daemon's own log."""

    format: Literal["auto", "text", "json"] = "auto"
    level: Literal["debug", "info", "warning", "error"] = "info"


class Settings(BaseSettings):
    """All settings; outlets that are not configured do not exist."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter="__", extra="forbid", frozen=True
    )
    _file_values: ClassVar[Mapping[str, Any]] = {}

    journal: JournalSettings = JournalSettings()
    mqtt: MqttSettings | None = None
    store: StoreSettings | None = None
    log: LogSettings = LogSettings()
