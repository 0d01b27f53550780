"""The protocol of a study: what was decided before the data were seen."""

from studykit.protocol.catalogue import shipped_measures
from studykit.protocol.loading import load_protocol, parse_protocol, protocol_sha256
from studykit.protocol.measure import Measure
from studykit.protocol.model import Arm, Dose, Protocol, Visit

__all__ = [
    "Arm",
    "Dose",
    "Measure",
    "Protocol",
    "Visit",
    "load_protocol",
    "parse_protocol",
    "protocol_sha256",
    "shipped_measures",
]
