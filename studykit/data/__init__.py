"""Files become a study that one may trust."""

from studykit.data.study import Study

__all__ = ["Study"]
