"""The audit room: how well was the record kept, how far apart are two readings, does a reader's habit drift?"""

from studykit.audit.charts import RaterChart
from studykit.audit.completeness import Completeness
from studykit.audit.doubles import DoubleReadings
from studykit.audit.of_study import audit_of_study
from studykit.audit.timeliness import Timeliness

__all__ = ["Completeness", "DoubleReadings", "RaterChart", "Timeliness", "audit_of_study"]
