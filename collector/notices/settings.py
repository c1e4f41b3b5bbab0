"""The section ``notices`` of the settings: mail server, ways, people, and who is told when.

A way is a mail address, or an address of a notification service as the library ``apprise`` takes
it; it may carry a secret and is never shown. How people and turns are meant: ``core/notices/
routes.py``.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, SecretStr

from collector.core.notices.routes import MINUTE_US, Hours, Person, Routes, Turn
from collector.plant.findings import Finding, nearest_name
from collector.plant.model import Name

Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
WEEKDAYS: tuple[Weekday, ...] = get_args(Weekday)
MAIL_ADDRESS = re.compile(r"[^@\s<>,]+@[^@\s<>,]+")
UNTOLD = "a value not shown here"

TimeOfDay = Annotated[
    str,
    Field(
        pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$",
        json_schema_extra={"words": "a time of day, such as '07:00'"},
    ),
]


class Part(BaseModel):
    """Base of the parts: nothing unknown."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class HoursSettings(Part):
    """When somebody is on, in the plant's time zone."""

    days: Annotated[
        list[Weekday], Field(min_length=1, description="on which it begins; every day if not said")
    ] = list(WEEKDAYS)
    begins: TimeOfDay
    ends: Annotated[TimeOfDay, Field(description="on the next day if it is not after the begin")]


class PersonSettings(Part):
    """Somebody who is told."""

    ways: Annotated[list[Name], Field(min_length=1, description="names of ways, all are used")]
    hours: Annotated[list[HoursSettings], Field(description="when on; always if not said")] = []
    alarms: Annotated[
        list[Literal["high", "medium", "low"]], Field(description="priorities wanted")
    ] = ["high", "medium", "low"]
    equipment: Annotated[
        list[Name], Field(description="only alarms of this equipment; all if not said")
    ] = []
    service: Annotated[bool, Field(description="told of each task of service that is due")] = False
    digest: Annotated[bool, Field(description="gets the morning digest")] = False


class TurnSettings(Part):
    """Who is told when nobody has acknowledged."""

    people: Annotated[list[Name], Field(min_length=1)]
    after_min: Annotated[float, Field(ge=0, le=1440, description="since the alarm was raised")] = (
        0.0
    )


class NoticesSettings(Part):
    """All of it; mail keys are needed where a way is a mail address."""

    mail_host: str | None = None
    mail_port: Annotated[int, Field(ge=1, le=65535)] = 587
    mail_security: Annotated[
        Literal["starttls", "tls", "none"],
        Field(description="'none' sends passwords and notices in clear"),
    ] = "starttls"
    mail_authority_file: Annotated[
        Path | None, Field(description="certificates trusted for the server; the system's if not")
    ] = None
    mail_user: str | None = None
    mail_password: SecretStr | None = None
    mail_sender: Annotated[str | None, Field(description="address that notices come from")] = None
    mail_timeout_s: Annotated[float, Field(ge=0.5, le=120)] = 15.0
    ways: Annotated[
        dict[Name, SecretStr],
        Field(min_length=1, description="mail addresses and addresses of notification services"),
    ]
    people: Annotated[dict[Name, PersonSettings], Field(min_length=1)]
    turns: Annotated[
        list[TurnSettings],
        Field(min_length=1, description="who is told of alarms, in this order"),
    ]
    fallback: Annotated[Name, Field(description="told where nobody of the turns is on")]
    repeat_every_min: Annotated[float, Field(ge=1, le=1440)] = 30.0
    repeats: Annotated[int, Field(ge=0, le=100)] = 4
    digest_at: TimeOfDay = "07:00"
    chatter_times: Annotated[int, Field(ge=2, le=100)] = 3
    chatter_within_min: Annotated[float, Field(ge=1, le=120)] = 10.0
    flood_above: Annotated[int, Field(ge=1, le=1000)] = 10
    flood_ends_below: Annotated[int, Field(ge=1, le=1000)] = 5
    flood_within_min: Annotated[float, Field(ge=1, le=120)] = 10.0


def routes_of(settings: NoticesSettings) -> Routes:
    """What the settings say, as decisions use it; they have been checked."""
    people = {
        name: Person(
            name, tuple(one.ways), tuple(_hours(each) for each in one.hours),
            frozenset(one.alarms), frozenset(one.equipment), one.service, one.digest,
        )
        for name, one in settings.people.items()
    }  # fmt: skip
    turns = [Turn(tuple(each.people), round(each.after_min * MINUTE_US)) for each in settings.turns]
    return Routes(
        people, tuple(sorted(turns, key=lambda turn: turn.after_us)), settings.fallback,
        round(settings.repeat_every_min * MINUTE_US), settings.repeats,
        _minute(settings.digest_at), settings.chatter_times,
        round(settings.chatter_within_min * MINUTE_US), settings.flood_above,
        settings.flood_ends_below, round(settings.flood_within_min * MINUTE_US),
    )  # fmt: skip


def _hours(hours: HoursSettings) -> Hours:
    days = frozenset(WEEKDAYS.index(day) for day in hours.days)
    return Hours(days, _minute(hours.begins), _minute(hours.ends))


def _minute(text: str) -> int:
    return int(text[:2]) * 60 + int(text[3:])


def is_mail(way: SecretStr) -> bool:
    """Whether a way is a mail address."""
    return "://" not in way.get_secret_value()


# --- what does not belong together ----------------------------------------------------------------


def findings_of(settings: NoticesSettings) -> list[Finding]:
    """What is wrong between the parts; paths begin below ``notices``."""
    found = [*_wrong_names(settings), *_wrong_ways(settings)]
    mailed = [name for name, way in settings.ways.items() if is_mail(way)]
    for key in ("mail_host", "mail_sender"):
        if mailed and not getattr(settings, key):
            what = f"no '{key}', and a mail address in 'ways'"
            found.append(Finding((), what, f"'{key}' with text", at_key=True))
    sender = settings.mail_sender
    if sender and not MAIL_ADDRESS.fullmatch(sender):
        found.append(Finding(("mail_sender",), f"'{sender}'", "a mail address"))
    if (settings.mail_user is None) != (settings.mail_password is None):
        there, missing = "mail_user", "mail_password"
        if settings.mail_user is None:
            there, missing = missing, there
        found.append(Finding((there,), f"no '{missing}' beside it", "both or neither", at_key=True))
    if settings.flood_ends_below > settings.flood_above:
        what = str(settings.flood_ends_below)
        expected = f"at most 'flood_above', {settings.flood_above}"
        found.append(Finding(("flood_ends_below",), what, expected))
    return found


def _wrong_names(settings: NoticesSettings) -> Iterator[Finding]:
    for name, person in settings.people.items():
        for place, way in enumerate(person.ways):
            if way not in settings.ways:
                yield _unknown(("people", name, "ways", place), way, "a way", settings.ways)
    for number, turn in enumerate(settings.turns):
        for place, name in enumerate(turn.people):
            if name not in settings.people:
                path = ("turns", number, "people", place)
                yield _unknown(path, name, "a person", settings.people)
    if settings.fallback not in settings.people:
        yield _unknown(("fallback",), settings.fallback, "a person", settings.people)


def _unknown(path: tuple[str | int, ...], name: str, what: str, known: Collection[str]) -> Finding:
    expected = f"{what} of 'notices': {', '.join(known)}"
    return Finding(path, f"'{name}'", expected, nearest_name(name, known))


def _wrong_ways(settings: NoticesSettings) -> Iterator[Finding]:
    for name, way in settings.ways.items():
        text = way.get_secret_value()
        if is_mail(way):
            if not MAIL_ADDRESS.fullmatch(text):
                yield Finding(
                    ("ways", name), UNTOLD,
                    "a mail address, or an address of a notification service with ://",
                )  # fmt: skip
        elif not _understood(text):
            yield Finding(
                ("ways", name), UNTOLD, "an address of a notification service that apprise knows"
            )


def _understood(url: str) -> bool:
    from collector.notices.other_ways import maybe_service  # costs time, and few need it

    return maybe_service(url) is not None
