"""What a notice says: the first line is enough for a telephone, the rest is for whoever goes there.

Plain text. The first line names plant, priority, what and since when, within 120 characters, so
that it stands whole in the 160 characters of a short message (3GPP TS 23.038, from memory).
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from collector.core.alarms.rule import AlarmRule
from collector.core.calendar import local
from collector.core.catalogue import Catalogue
from collector.core.diagnosis.wording import duration
from collector.core.notices.kept import Activation
from collector.core.notices.notice import AGAIN, ALARM, ENDED, GONE, SERVICE, STANDS, Notice
from collector.core.notices.routes import PRIORITIES, Routes
from collector.core.notices.situation import Situation
from collector.plant.model import Plant

FIRST_LINE = 120
MOST_LISTED = 20
MOST_IN_FULL = 3
WIDTH = 76
ORDER = (STANDS, AGAIN, GONE, ENDED)
HEADS = {
    STANDS: "Stands now",
    AGAIN: "Still stands and nobody has acknowledged it",
    GONE: "Came and went before anybody was told",
    ENDED: "No longer stands",
}
NOT_SAFETY = (
    "This tool watches and is no safety system; the panel's own horn and lamp stay in force. "
    "A screen never proves isolation or a safe atmosphere."
)
MAYBE_REPEAT = "This may be a repeat: whether the first attempt arrived is not known."


@dataclass(frozen=True, slots=True)
class Words:
    """What texts need beside the situation.

    Args:
        plant: its title stands first; its panels have titles.
        catalogue: how figures are shown.
        rules: by ``equipment.rule``; what to do.
        routes: says how chatter and floods are counted.
        zone: the plant's time zone.
    """

    plant: Plant
    catalogue: Catalogue
    rules: Mapping[str, AlarmRule]
    routes: Routes
    zone: tzinfo

    def clock(self, utc_us: int, now_utc_us: int) -> str:
        """A local time, with its date if it is of another day."""
        at, today = local(utc_us, self.zone), local(now_utc_us, self.zone)
        return f"{at:%H:%M}" if at.date() == today.date() else f"{at:%Y-%m-%d %H:%M}"


@dataclass(frozen=True, slots=True)
class Text:
    """A notice in words; ``body`` does not repeat ``subject``."""

    subject: str
    body: str

    @property
    def whole(self) -> str:
        """Both, for ways without a subject of their own."""
        return f"{self.subject}\n\n{self.body}"


def text_of(notice: Notice, situation: Situation, words: Words, now_us: int) -> Text:
    """A notice in words, as things stand now."""
    now_utc_us = now_us + situation.offset_us
    if notice.kind == ALARM:
        subject, body = _alarm_text(notice, situation, words, now_us)
    else:
        subject, body = _daily_text(notice, situation, words, now_us)
    if notice.may_be_repeat:
        body = [MAYBE_REPEAT, "", *body]
    body += ["", *_links(situation, words, now_utc_us), "", *textwrap.wrap(NOT_SAFETY, WIDTH)]
    return Text(_cut(subject, FIRST_LINE), "\n".join(body).strip() + "\n")


def trial_text(title: str, zone: tzinfo, person: str, utc_us: int) -> Text:
    """A notice that only shows that a way works.

    Args:
        title: of the plant.
        zone: its time zone.
        person: who gets it.
        utc_us: this instant.
    """
    at = local(utc_us, zone)
    subject = _cut(f"{title}: test notice for {person}", FIRST_LINE)
    return Text(subject, f"Sent at {at:%Y-%m-%d %H:%M:%S %Z} to show that this way works.\n")


# --- alarms ---------------------------------------------------------------------------------------


def _alarm_text(
    notice: Notice, situation: Situation, words: Words, now_us: int
) -> tuple[str, list[str]]:
    now_utc_us = now_us + situation.offset_us
    named = [one for one in situation.all_activations() if one.key in notice.about]
    groups: dict[str, list[list[Activation]]] = {word: [] for word in ORDER}
    by_alarm: dict[tuple[str, str], list[Activation]] = {}
    for one in named:
        by_alarm.setdefault((one.subject, notice.about[one.key]), []).append(one)
    for (_, word), found in by_alarm.items():
        groups[word].append(found)
    for word in ORDER:
        groups[word].sort(key=lambda found: _rank(found[0]))
    first_word = next(word for word in ORDER if groups[word])
    subject = _subject(notice, groups, first_word, words, situation, now_us)
    body: list[str] = []
    for word in ORDER:
        if not groups[word]:
            continue
        body += [f"{HEADS[word]}:"]
        listed = groups[word][:MOST_LISTED]
        body += [f"- {_line(found, words, now_utc_us)}" for found in listed]
        if len(listed) < len(groups[word]):
            body += [f"- and {len(groups[word]) - len(listed)} more: weirkeeper alarms"]
        body += [""]
    calling = [found[-1] for word in (STANDS, AGAIN) for found in groups[word]]
    for one in calling[:MOST_IN_FULL]:
        body += [*_in_full(one, situation, words), ""]
    if calling:
        shown = [one.subject for one in calling[:MOST_IN_FULL]]
        more = "" if len(calling) <= MOST_IN_FULL else " (or --all)"
        body += ["Acknowledge, which ends repetition and passing on:"]
        body += [f"  weirkeeper alarms acknowledge {' '.join(shown)}{more} --by NAME"]
    return subject, body


def _rank(one: Activation) -> tuple[bool, int, int, str]:
    """First-out first, then by priority and time."""
    priority = PRIORITIES.index(one.priority) if one.priority in PRIORITIES else len(PRIORITIES)
    return bool(one.follows), priority, one.raised_us, one.subject


def _subject(
    notice: Notice,
    groups: Mapping[str, Sequence[Sequence[Activation]]],
    word: str,
    words: Words,
    situation: Situation,
    now_us: int,
) -> str:
    plant = words.plant.plant.title
    now_utc_us = now_us + situation.offset_us
    first = groups[word][0]
    others = sum(len(found) for found in groups.values()) - 1
    more = f" (+{others} more)" if others else ""
    one = first[-1]
    since = words.clock(first[0].raised_utc_us, now_utc_us)
    recent = situation.raised_within(one.subject, now_us, words.routes.chatter_us)
    minutes = words.routes.chatter_us // 60_000_000
    if notice.flood:
        flood = situation.raises_us
        count = sum(1 for at_us in flood if at_us > now_us - words.routes.flood_us)
        head = f"FLOOD OF ALARMS ({count} in {words.routes.flood_us // 60_000_000} min), first"
        return f"{plant}: {head} {one.title} since {since}{more}"
    priority = one.priority.upper()
    if word == ENDED:
        ended = words.clock(one.ended_utc_us or one.raised_utc_us, now_utc_us)
        return f"{plant}: ENDED at {ended}: {one.title}{more}"
    if word == GONE:
        times = f", {len(first)} times" if len(first) > 1 else ""
        return f"{plant}: summed up: {one.title} came at {since} and went{times}{more}"
    again = "STILL " if word == AGAIN else ""
    chatters = (
        f", chatters: {len(recent)} times in {minutes} min"
        if len(recent) >= words.routes.chatter_times
        else ""
    )
    return f"{plant}: {again}{priority} {one.title} since {since}{chatters}{more}"


def _line(found: Sequence[Activation], words: Words, now_utc_us: int) -> str:
    first, last = found[0], found[-1]
    told = f"{last.priority} {last.title or last.subject} ({last.subject})".strip()
    told += f", since {words.clock(first.raised_utc_us, now_utc_us)}"
    if last.ended_utc_us is not None:
        told += f" until {words.clock(last.ended_utc_us, now_utc_us)}"
    if len(found) > 1:
        told += f", {len(found)} times"
    if last.follows and last.ended_us is None:
        told += f", followed {last.follows.partition('#')[0]}"
    if last.unknown and last.ended_us is None:
        told += "; not known whether it still holds"
    if last.latched:
        told += "; it latches: weirkeeper alarms reset"
    if last.withdrawn:
        told += "; its rule is no longer in force, so nobody watches it"
    return told


def _in_full(one: Activation, situation: Situation, words: Words) -> list[str]:
    """What is known of an alarm and what to do about it."""
    rule = words.rules.get(one.subject)
    found = [f"{one.title or one.subject}"]
    if rule is None:
        return [*found, "  Its rule is not in force now."]
    pairs = [("Seen", rule.condition.explain()), ("Figures", _figures(rule, situation, words))]
    pairs += [("Likely causes", "; ".join(rule.causes)), ("Consequence", rule.consequence)]
    pairs += [("Do", rule.response)]
    if rule.respond_within_s:
        pairs.append(("Within", duration(rule.respond_within_s)))
    pairs.append(("Caution", rule.caution))
    for name, said in pairs:
        if said:
            found += textwrap.wrap(
                f"{name}: {said}", WIDTH, initial_indent="  ", subsequent_indent="    "
            )
    return found


def _figures(rule: AlarmRule, situation: Situation, words: Words) -> str:
    told = []
    for fact in rule.condition.facts:
        record = situation.values.get(fact)
        if record is not None and record.value is not None:
            told.append(f"{fact} {words.catalogue.shown(record).text}")
    return ", ".join(told)


# --- once a day -----------------------------------------------------------------------------------


def _daily_text(
    notice: Notice, situation: Situation, words: Words, now_us: int
) -> tuple[str, list[str]]:
    now_utc_us = now_us + situation.offset_us
    plant = words.plant.plant.title
    standing = [
        found[-1]
        for found in situation.activations.values()
        if found and found[-1].ended_us is None
    ]
    due = [(task, word) for task, word in notice.about.items()]
    tasks = f"{len(due)} of service due"
    if notice.kind == SERVICE:
        subject = f"{plant}: {tasks}, {notice.day}"
    else:
        subject = f"{plant}: digest of {notice.day}: {tasks}, {len(standing)} alarms stand"
    body = ["Service due:"] if due else ["No service is due."]
    for task, word in due[:MOST_LISTED]:
        details = situation.service.get(task, {})
        body.append(f"- {details.get('title') or task}: {word}; {details.get('because') or ''}")
    if len(due) > MOST_LISTED:
        body.append(f"- and {len(due) - MOST_LISTED} more")
    if due:
        body += ["", "All of it, with parts and cautions: weirkeeper service"]
    if notice.kind != SERVICE:
        body += ["", "Alarms that stand:"] if standing else ["", "No alarm stands."]
        for one in sorted(standing, key=_rank)[:MOST_LISTED]:
            state = " (set aside)" if one.covered else ""
            state = f" (acknowledged by {one.acknowledged})" if one.acknowledged else state
            body.append(f"- {_line([one], words, now_utc_us)}{state}")
        if len(standing) > MOST_LISTED:
            body.append(f"- and {len(standing) - MOST_LISTED} more: weirkeeper alarms")
    return subject, body


def _links(situation: Situation, words: Words, now_utc_us: int) -> list[str]:
    """Which panels answer."""
    lost = {name: record for name, record in situation.lost.items() if name in words.plant.panels}
    if not lost:
        return ["Every panel answers."]
    found = []
    for name, record in sorted(lost.items()):
        title = words.plant.panels[name].title or name
        since = words.clock(record.after_us + record.utc_us - record.at_us, now_utc_us)
        found.append(f"{title} does not answer since {since}: what it watches is not known.")
    return found


def _cut(text: str, width: int) -> str:
    line = " ".join(text.split())
    return line if len(line) <= width else line[: width - 1] + "…"
