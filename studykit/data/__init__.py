"""Files become a study that one may trust."""

from studykit.data.checks.checked import Checked
from studykit.data.checks.checking import check_gathered, check_study, open_study
from studykit.data.checks.setting_aside import write_check
from studykit.data.sharing.explaining import Explained, explain
from studykit.data.study import Study

__all__ = ["Checked", "Explained", "Study", "check_gathered", "check_study", "explain", "open_study", "write_check"]
