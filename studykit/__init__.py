"""studykit: from the protocol of a mobility study to a report that anybody can repeat."""

__version__ = "0.1.0"
