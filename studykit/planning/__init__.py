"""How many, how often, in what order? What follows from the numbers that a protocol supposes."""

from studykit.planning.plan import TrialPlan, trial_plan
from studykit.planning.running import SimulatedPower, simulate_power, workers
from studykit.planning.study import PlanPart, plan_study, trials_at_most

__all__ = [
    "PlanPart",
    "SimulatedPower",
    "TrialPlan",
    "plan_study",
    "simulate_power",
    "trial_plan",
    "trials_at_most",
    "workers",
]
