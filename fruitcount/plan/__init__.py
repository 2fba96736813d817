"""Thin or leave, how many to keep, which, and the least work to get there."""

from fruitcount.plan.inputs import PLAN_CHOICES, GrowerInputs, PlanRules, ScoreWeights
from fruitcount.plan.passes import (
    AfterCheck,
    carry_out,
    check_count,
    other_limb_words,
    second_pass_inputs,
)
from fruitcount.plan.plan import plan_limb
from fruitcount.plan.result import Choice, Cut, FirstPass, Plan
from fruitcount.plan.target import CarryAnswer, KeepTarget, keep_target, spacing_count

__all__ = [
    "PLAN_CHOICES",
    "AfterCheck",
    "CarryAnswer",
    "Choice",
    "Cut",
    "FirstPass",
    "GrowerInputs",
    "KeepTarget",
    "Plan",
    "PlanRules",
    "ScoreWeights",
    "carry_out",
    "check_count",
    "keep_target",
    "other_limb_words",
    "plan_limb",
    "second_pass_inputs",
    "spacing_count",
]
