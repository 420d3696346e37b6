"""Sending the log to a server with the InfluxDB 2 HTTP API: all of it, once, whenever the network allows."""

from .client import server_client
from .cursor import Cursor, CursorFile, NotACursor, Refused
from .forwarder import Forwarder, Health
from .lines import tag_text
from .points import MEASUREMENTS, SCHEMA_VERSION, Field, Measurement, measurement
from .said import body_words, trouble_words
from .server import Answer, InfluxServer, Server, Word
from .standing import Standing, forwarder_runs, read_standing, server_name
from .token import read_token

__all__ = [
    "MEASUREMENTS",
    "SCHEMA_VERSION",
    "Answer",
    "Cursor",
    "CursorFile",
    "Field",
    "Forwarder",
    "Health",
    "InfluxServer",
    "Measurement",
    "NotACursor",
    "Refused",
    "Server",
    "Standing",
    "Word",
    "body_words",
    "forwarder_runs",
    "measurement",
    "read_standing",
    "read_token",
    "server_client",
    "server_name",
    "tag_text",
    "trouble_words",
]
