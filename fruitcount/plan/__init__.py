"""Thin or leave, how many to keep, which, and the least work to get there."""

from fruitcount.plan.inputs import GrowerInputs, PlanRules, WorthWeights
from fruitcount.plan.passes import (
    AfterCheck,
    FirstPass,
    check_after,
    check_count,
    first_pass_of,
    second_pass_inputs,
)
from fruitcount.plan.plan import plan_limb
from fruitcount.plan.result import Cut, Plan
from fruitcount.plan.target import CarryAnswer, KeepTarget, keep_target, spacing_count

__all__ = [
    "AfterCheck",
    "CarryAnswer",
    "Cut",
    "FirstPass",
    "GrowerInputs",
    "KeepTarget",
    "Plan",
    "PlanRules",
    "WorthWeights",
    "check_after",
    "check_count",
    "first_pass_of",
    "keep_target",
    "plan_limb",
    "second_pass_inputs",
    "spacing_count",
]
