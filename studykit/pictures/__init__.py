"""The drawing room: plain arrays and frames become finished drawings. Nothing is computed here but positions."""

from studykit.pictures.theme import Drawing

__all__ = ["Drawing"]
