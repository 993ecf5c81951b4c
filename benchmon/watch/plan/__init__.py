"""The plan of a staged power-on: its steps, what keeps them from being confirmed, their cautions; readings by hand."""

from benchmon.watch.plan.plan import (
    LONGEST_WORDS,
    MAINS_WITHIN,
    POWERED_PART,
    Action,
    Outcome,
    Plan,
    PlanState,
    PlanStep,
    StepLoad,
    StepRequest,
    blocking_reasons,
    is_mains_set,
    powered_above,
    step_cautions,
)

__all__ = [
    "LONGEST_WORDS",
    "MAINS_WITHIN",
    "POWERED_PART",
    "Action",
    "Outcome",
    "Plan",
    "PlanState",
    "PlanStep",
    "StepLoad",
    "StepRequest",
    "blocking_reasons",
    "is_mains_set",
    "powered_above",
    "step_cautions",
]
