"""What the words mean that README, reports and messages use."""

from studykit.words.glossary import Meaning, glossary, meaning_of

__all__ = ["Meaning", "glossary", "meaning_of"]
