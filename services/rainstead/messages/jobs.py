"""What goes over in one try: a text for people, and for a broker its topics with what programs read."""

import json
from collections.abc import Mapping
from typing import Any

from rainstead.settings import Messages

from .carrier import Job
from .changes import AlarmTold, Notice
from .heartbeat import Beat, beat_text, beat_words
from .outbox import Parcel
from .words import Text, gathered_text

__all__ = ["Jobs", "alarm_words"]


def alarm_words(notice: Notice) -> dict[str, Any]:
    """A change of an alarm, for programs."""
    return {
        "alarm": notice.event.alarm,
        "subject": notice.event.subject,
        "state": "active" if notice.is_active else "normal",
        **_words(notice, notice.kind),
    }


def _words(one: Notice | AlarmTold, change: str) -> dict[str, Any]:
    return {
        "change": change,
        "since_ms": one.event.t_ms,
        "time_is_a_guess": one.is_guess,
        "value": one.event.value,
        "limit": one.event.limit,
        "unit": one.event.unit,
        "reason": one.event.reason,
    }


class Jobs:
    """Makes them. site: its name; zone: its IANA time zone."""

    def __init__(self, site: str, zone: str, messages: Messages) -> None:
        self._site, self._zone, self._messages = site, zone, messages

    def of_parcel(self, parcel: Parcel, wall_ms: int) -> Job:
        """One message, or several gathered."""
        messages = [one.message for one in parcel.deliveries]
        if len(messages) == 1:
            text = Text(messages[0].title, messages[0].body)
        else:
            text = gathered_text(self._site, self._zone, messages)
        last = messages[-1]
        kind = "cleared" if last.alarm is not None and last.alarm["state"] == "normal" else last.kind
        newest = {(one.alarm["alarm"], one.alarm["subject"]): one.alarm for one in messages if one.alarm is not None}
        published = [self._retained(alarm, wall_ms, parcel.channel) for alarm in newest.values()]
        said = {
            "site": self._site,
            "kind": last.kind,
            "numbers": [one.number for one in messages],
            "at_ms": last.at_ms,
            "title": text.title,
            "body": text.body,
        }
        if self._messages.channels[parcel.channel].heartbeat_every_s is None:
            # The last will of the connection before may stand there, and no sign of life would ever take its place.
            published.append(("messenger", json.dumps({"site": self._site, "state": "alive", "at_ms": wall_ms}), True))
        return Job(kind, text.title, text.body, (*published, ("message", json.dumps(said), False)))

    def _retained(self, alarm: Mapping[str, Any], wall_ms: int, channel: str) -> tuple[str, str, bool]:
        """A state that stays at a broker says how long it is to be believed, for nobody takes it away from there."""
        every_s = self._messages.channels[channel].heartbeat_every_s
        lasts_ms = 86_400_000 if every_s is None else round(2000 * every_s)
        said = {"site": self._site, **alarm, "told_ms": wall_ms, "expires_ms": wall_ms + lasts_ms}
        return f"alarm/{alarm['alarm']}/{alarm['subject']}", json.dumps(said), True

    def of_beat(self, name: str, beat: Beat) -> Job:
        """A sign of life, with all alarms that stand."""
        text = beat_text(beat)
        standing = [
            self._retained(
                {
                    "alarm": one.event.alarm,
                    "subject": one.event.subject,
                    "state": "active",
                    **_words(one, "stands"),
                },
                beat.at_ms,
                name,
            )
            for one in beat.standing
        ]
        return Job("heartbeat", text.title, text.body, (*standing, ("messenger", json.dumps(beat_words(beat)), True)))
