"""Thin or leave, how many to keep, which, and the least work to get there."""

from fruitcount.plan.inputs import GrowerInputs, PlanRules, WorthWeights
from fruitcount.plan.plan import plan_limb
from fruitcount.plan.result import Cut, Plan
from fruitcount.plan.target import CarryAnswer, KeepTarget, Reason, keep_target, spacing_count

__all__ = [
    "CarryAnswer",
    "Cut",
    "GrowerInputs",
    "KeepTarget",
    "Plan",
    "PlanRules",
    "Reason",
    "WorthWeights",
    "keep_target",
    "plan_limb",
    "spacing_count",
]
