"""Alarms on one time axis: when each stood, and when nobody knew."""

from __future__ import annotations

from collector.charts.past import Past
from collector.charts.shapes import Stretch, Strip, Strips
from collector.reports.alarm_history import read_history

MOST = 30


def alarm_strips(past: Past) -> Strips:
    """The alarms that stood in a time, those that stood longest if there are many."""
    span = past.span
    history = read_history(past.reader, span.from_utc_us, span.to_utc_us)
    found: dict[str, list[Stretch]] = {}
    titles: dict[str, str] = {}
    for one in history.activations:
        ends = past.until_utc_us if one.ended_utc_us is None else one.ended_utc_us
        begin = max(one.began_utc_us, span.from_utc_us)
        stretches = found.setdefault(one.subject, [])
        titles[one.subject] = one.title or one.subject
        if min(ends, span.to_utc_us) > begin:
            stretches.append(Stretch(begin, min(ends, span.to_utc_us), made=True))
        stretches += [Stretch(a, b, None) for a, b in one.unknown_spans]
    longest = sorted(
        found, key=lambda subject: -sum(s.to_utc_us - s.from_utc_us for s in found[subject])
    )[:MOST]
    kept = [subject for subject in found if subject in longest]
    return Strips([Strip(titles[subject], found[subject]) for subject in kept])
