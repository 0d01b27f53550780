"""A study becomes one sealed file, and a stranger gets the same numbers from it."""

from studykit.archive.reproduce import Reproduction, reproduce
from studykit.archive.seal import new_key, seal_study

__all__ = ["Reproduction", "new_key", "reproduce", "seal_study"]
