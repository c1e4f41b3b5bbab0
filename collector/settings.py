"""Settings of the daemon: where the journal is, where records go, how it logs.

Sources, the later winning: the built-in values, the settings file, credentials of the service
manager (the files ``mqtt_password``, ``store_token`` and ``mail_password`` in
``$CREDENTIALS_DIRECTORY``), environment variables (``WEIRKEEPER_JOURNAL__PATH`` for
``journal.path``). A name nobody knows, in any of them,
is an error. Secrets never stand in a plant file and never in a log.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_settings import (
    BaseSettings,
    InitSettingsSource,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from collector.errors import ConfigurationError, Problem
from collector.notices.settings import NoticesSettings, findings_of
from collector.plant.findings import Finding, nearest_name
from collector.plant.shapes import shapes_of, words_of
from collector.plant.validation import validation_problems
from collector.plant.yaml_source import SourceTree, read_yaml
from collector.settings_sections import (
    AuditSettings,
    BackupSettings,
    JournalSettings,
    LogSettings,
    MqttSettings,
    PageSettings,
    RulesSettings,
    StoreSettings,
)

__all__ = [
    "AuditSettings",
    "BackupSettings",
    "JournalSettings",
    "LogSettings",
    "MqttSettings",
    "NoticesSettings",
    "PageSettings",
    "RulesSettings",
    "Settings",
    "StoreSettings",
    "load_settings",
    "variable_names",
]

PREFIX = "WEIRKEEPER_"
TRACEBACK = f"{PREFIX}TRACEBACK"  # the one variable that is no setting; see the command line
CREDENTIALS = {
    "mqtt_password": ("mqtt", "password"),
    "store_token": ("store", "token"),
    "mail_password": ("notices", "mail_password"),
}
SECRETS = {*CREDENTIALS.values(), ("store", "url")}  # of a refused address, the password in it
UNTOLD = "a value not shown here"


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
    notices: NoticesSettings | None = None
    backup: BackupSettings | None = None
    page: PageSettings | None = None
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
    notices: NoticesSettings | None = None
    backup: BackupSettings | None = None
    page: PageSettings | None = None
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
    if settings.notices is not None and (wrong := findings_of(settings.notices)):
        raise ConfigurationError([_of_notices(each, tree) for each in wrong])
    if settings.page is not None and (wrong := _of_page(settings.page)):
        raise ConfigurationError([_placed(each.below("page"), tree) for each in wrong])
    return settings


def _of_page(page: PageSettings) -> list[Finding]:
    """What does not belong together in the section of the page."""
    found = []
    if (page.certificate_file is None) != (page.key_file is None):
        there, missing = "certificate_file", "key_file"
        if page.certificate_file is None:
            there, missing = missing, there
        found.append(Finding((there,), f"it without '{missing}'", "both or neither", at_key=True))
    if not (page.own_machine_only or page.protected or page.unprotected):
        found.append(
            Finding(
                ("host",),
                f"'{page.host}', which others can reach, without both password and TLS",
                "'127.0.0.1', or 'password_file' with 'certificate_file' and 'key_file', or "
                "'unprotected: true' where the network itself keeps strangers out",
            )
        )
    return found


def _of_notices(finding: Finding, tree: SourceTree | None) -> Problem:
    """What does not belong together in the section of notices, wherever it came from."""
    return _placed(finding.below("notices"), tree)


def _placed(finding: Finding, tree: SourceTree | None) -> Problem:
    """A finding with its place in the file, where there is one."""
    if tree is not None:
        return tree.problem(finding)
    where = ".".join(str(step) for step in finding.path)
    return Problem("settings", None, None, where, finding.found, finding.expected, finding.nearest)


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


def _sections() -> Iterator[tuple[str, type[BaseModel]]]:
    for name, field in Settings.model_fields.items():
        candidates = (field.annotation, *get_args(field.annotation))
        for candidate in candidates:
            if isinstance(candidate, type) and issubclass(candidate, BaseModel):
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
            replace(problem, found=UNTOLD) if _is_secret(problem.where, secret) else problem
            for problem in validation_problems(error, tree, SettingsFile)
            if (problem.where, problem.found) not in no_loss
        ]
    return []


def _is_secret(where: str, secret: Collection[str]) -> bool:
    return where in secret or f"{where}.".startswith("notices.ways.")


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
    hidden = {*SECRETS, ("notices", "ways")}
    found = UNTOLD if (section, key) in hidden else f"'{detail['input']}'"
    return Problem(f"environment variable {name}", None, None, where, found, words_of(shape))
