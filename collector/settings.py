"""Settings of the daemon: where the journal is, where records go, how it logs.

Sources, the later winning: the built-in values, the settings file, credentials of the service
manager (the files ``mqtt_password`` and ``store_token`` in ``$CREDENTIALS_DIRECTORY``), environment
variables (``WEIRKEEPER_JOURNAL__PATH`` for ``journal.path``). A name nobody knows, in any of them,
is an error. Secrets never stand in a plant file and never in a log.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, SecretStr, ValidationError
from pydantic_settings import (
    BaseSettings,
    InitSettingsSource,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from collector.errors import ConfigurationError, Problem
from collector.plant.findings import Finding, nearest_name
from collector.plant.shapes import shapes_of, words_of
from collector.plant.validation import validation_problems
from collector.plant.yaml_source import SourceTree, read_yaml

PREFIX = "WEIRKEEPER_"
TRACEBACK = f"{PREFIX}TRACEBACK"  # the one variable that is no setting; see the command line
CREDENTIALS = {"mqtt_password": ("mqtt", "password"), "store_token": ("store", "token")}
SECRETS = {*CREDENTIALS.values(), ("store", "url")}  # of a refused address, the password in it
UNTOLD = "a value not shown here"


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


class LogSettings(Section):
    """The daemon's own log."""

    format: Literal["auto", "text", "json"] = "auto"
    level: Literal["debug", "info", "warning", "error"] = "info"


class Settings(BaseSettings):
    """All settings; outlets that are not configured do not exist."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter="__", extra="forbid", frozen=True
    )

    journal: JournalSettings = JournalSettings()
    mqtt: MqttSettings | None = None
    store: StoreSettings | None = None
    rules: RulesSettings = RulesSettings()
    audit: AuditSettings = AuditSettings()
    log: LogSettings = LogSettings()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The environment, then credentials, then the file, which comes as initial values."""
        del dotenv_settings, file_secret_settings
        credentials = InitSettingsSource(settings_cls, _credentials())
        return env_settings, credentials, init_settings


class SettingsFile(BaseModel):
    """The same as a file: every section may be missing, whatever the environment adds."""

    model_config = ConfigDict(extra="forbid")

    journal: JournalSettings | None = None
    mqtt: MqttSettings | None = None
    store: StoreSettings | None = None
    rules: RulesSettings | None = None
    audit: AuditSettings | None = None
    log: LogSettings | None = None


def load_settings(path: Path | None) -> Settings:
    """Gather the settings of all sources.

    Args:
        path: the settings file, or None for none.

    Raises:
        ConfigurationError: with everything that is wrong, in the file and in the environment.
    """
    tree = None if path is None else read_yaml(path)
    problems = _unknown_variables() + _unknown_credentials()
    values: dict[str, Any] = {}
    if tree is not None:
        problems += _file_problems(tree)
        found = tree.data if isinstance(tree.data, dict) else {}
        # A section whose keys are all commented out is there, and says nothing.
        values = {name: section for name, section in found.items() if section is not None}
    if problems:
        raise ConfigurationError(problems)
    try:
        settings = Settings(**values)
    except ValidationError as error:
        raise ConfigurationError([_variable_problem(detail) for detail in error.errors()]) from None
    if settings.mqtt is not None and settings.mqtt.actions and not settings.mqtt.authenticated:
        raise ConfigurationError([_anybody_could_act(tree)])
    return settings


def _anybody_could_act(tree: SourceTree | None) -> Problem:
    """Actions over the broker are switched on, and it does not even know who we are."""
    found = "'true' without 'user' and 'password', or 'tls' with 'certificate_file'"
    expected = "a broker that knows who speaks: what is said goes on record under a name"
    if tree is None:
        return Problem("settings", None, None, "mqtt.actions", found, expected)
    return tree.problem(Finding(("mqtt", "actions"), found, expected))


def variable_names() -> dict[str, tuple[str, str]]:
    """Every environment variable there is, with the section and key it sets."""
    return {
        f"{PREFIX}{section}__{key}".upper(): (section, key)
        for section, model in _sections()
        for key in model.model_fields
    }


def _sections() -> Iterator[tuple[str, type[Section]]]:
    for name, field in Settings.model_fields.items():
        candidates = (field.annotation, *get_args(field.annotation))
        for candidate in candidates:
            if isinstance(candidate, type) and issubclass(candidate, Section):
                yield name, candidate


def _credentials() -> dict[str, dict[str, str]]:
    """Secrets the service manager has laid out as files, without the newline editors add."""
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    found: dict[str, dict[str, str]] = {}
    for name, (section, key) in CREDENTIALS.items() if folder else ():
        try:
            secret = Path(folder or "", name).read_text(encoding="utf-8")
        except FileNotFoundError:
            continue
        except (OSError, UnicodeDecodeError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is not UTF-8"
            raise ConfigurationError(
                [_elsewhere(f"credential {name}", f"a file that cannot be read ({why})", "text")]
            ) from error
        found[section] = {key: secret.removesuffix("\n")}
    return found


def _unknown_credentials() -> list[Problem]:
    """Credentials that look like ours and are not; others, such as key files, may lie there too."""
    try:
        names = sorted(os.listdir(os.environ["CREDENTIALS_DIRECTORY"]))
    except (KeyError, OSError):
        return []
    return [
        _elsewhere("credentials", f"the file {name}", "the name of a credential", meant)
        for name in names
        if name not in CREDENTIALS and (meant := nearest_name(name, CREDENTIALS)) is not None
    ]


def _unknown_variables() -> list[Problem]:
    known = variable_names()
    return [
        _elsewhere("environment", f"the variable {name}", "a setting's name",
                   nearest_name(name, known))
        for name in sorted(os.environ)
        if name.upper().startswith(PREFIX) and name.upper() not in {*known, TRACEBACK}
    ]  # fmt: skip


def _elsewhere(place: str, found: str, expected: str, nearest: str | None = None) -> Problem:
    return Problem(place, None, None, "", found, expected, nearest)


def _file_problems(tree: SourceTree) -> list[Problem]:
    """What is wrong in the file by itself; a key that comes from elsewhere is not missing."""
    try:
        SettingsFile.model_validate(tree.data)
    except ValidationError as error:
        elsewhere = {path for name, path in variable_names().items() if name in os.environ}
        elsewhere |= {(section, key) for section, found in _credentials().items() for key in found}
        no_loss = {(section, f"no '{key}'") for section, key in elsewhere}
        secret = {f"{section}.{key}" for section, key in SECRETS}
        return [
            replace(problem, found=UNTOLD) if problem.where in secret else problem
            for problem in validation_problems(error, tree, SettingsFile)
            if (problem.where, problem.found) not in no_loss
        ]
    return []


def _variable_problem(detail: Any) -> Problem:
    """A value from the environment that its setting does not take, or a key nobody gives."""
    section, key = (*(str(step) for step in detail["loc"][:2]), "")[:2]
    name = f"{PREFIX}{section}__{key}".upper()
    where = f"{section}.{key}"
    shapes = shapes_of(SettingsFile)
    shape = shapes.inner(shapes.inner(shapes.root, section) or {}, key) or {}
    if detail["type"] == "missing":
        expected = f"it in the settings file or as {name}"
        return Problem("settings", None, None, where, "nothing", expected)
    found = UNTOLD if (section, key) in SECRETS else f"'{detail['input']}'"
    return Problem(f"environment variable {name}", None, None, where, found, words_of(shape))
