"""studykit: from the protocol of a mobility study to a report that anybody can repeat.

The names below are the front door. Each room is opened only when one of its names is asked for, so that
`import studykit` takes no time.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_ROOM_OF = {
    "start_study": "starting",
    "load_protocol": "protocol",
    "check_study": "data",
    "open_study": "data",
    "explain": "data",
    "Study": "data",
    "answer": "answers",
    "write_report": "report",
    "trial_plan": "planning",
    "plan_study": "planning",
    "simulate_power": "planning",
    "workers": "planning",
    "icc": "reliability",
    "precision": "reliability",
    "limits_of_agreement": "reliability",
    "agreement": "reliability",
    "variance_components": "reliability",
    "decision_study": "reliability",
    "reliability_of_study": "reliability",
    "change_of_study": "change",
    "dose_of_study": "dose",
    "for_whom": "individuals",
    "conduct_of_study": "conduct",
    "audit_of_study": "audit",
    "missing_visits_of_study": "missing_visits",
    "sensitivity_of_study": "sensitivity",
    "fit_mixed": "modelling",
    "fit_repeated": "modelling",
    "Varies": "modelling",
    "seal_study": "archive",
    "reproduce": "archive",
    "simulate_trial": "simulate",
    "run_notebook": "notebook.running",
    "watch_order": "notebook.order",
    "order_of_run": "notebook.order",
    "or_reason": "result",
    "progress_bar": "progress",
}

__all__ = ["__version__", *sorted(_ROOM_OF)]


def __getattr__(name: str) -> Any:
    if name not in _ROOM_OF:
        raise AttributeError(f"studykit has no {name!r}; it has {', '.join(sorted(_ROOM_OF))}.")
    return getattr(import_module(f"studykit.{_ROOM_OF[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
