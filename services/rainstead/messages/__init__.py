"""Alarms outward, by mail, push, web and MQTT: each at least once, in order; and a sign of life the same way."""

from .request import ask_for_test, take_request
from .standing import ChannelStanding, GivenUp, MessagesStanding, messenger_runs, read_messages
from .store import MESSAGES_FILE

__all__ = [
    "MESSAGES_FILE",
    "ChannelStanding",
    "GivenUp",
    "MessagesStanding",
    "ask_for_test",
    "messenger_runs",
    "read_messages",
    "take_request",
]
