"""The protocol file: its shape, reading it, saying what is wrong with it, writing it."""

from trialkit.protocol.amendments import Difference, differences
from trialkit.protocol.reading import load, loads, protocol_sha256, read_protocol_text
from trialkit.protocol.ready import ready_protocols
from trialkit.protocol.schema import Protocol, json_schema
from trialkit.protocol.writing import to_toml

__all__ = [
    "Difference",
    "Protocol",
    "differences",
    "json_schema",
    "load",
    "loads",
    "protocol_sha256",
    "read_protocol_text",
    "ready_protocols",
    "to_toml",
]
