"""An invented orchard for the report tests; no real tree, place or variety."""

from datetime import date

import numpy as np

from fruitcount.export.report_block import BlockTree
from fruitcount.pipeline import Result, decide
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.season.orchard import OrchardTree, SeasonFacts
from fruitcount.season.queue import queue
from fruitcount.species.model import load_species
from fruitcount.tree.count import TreeCount
from fruitcount.tree.estimate import csa_cm2, ratio_total
from fruitcount.tree.plan import LimbWork, TreePlan
from fruitcount.tree.sheet import LimbShare, thinning_work, tree_sheet
from fruitcount.tree.target import target_by_trunk
from fruitcount.types import Fruitlets, Limb, Measurement, Scale, Shoot

TODAY = date(2026, 5, 2)


def limb_result(n=46, *, seed=3, scale=True):
    """A drawn limb 1.1 m long with two shoots."""
    rng = np.random.default_rng(seed)
    x = np.linspace(100, 1850, 60)
    line = np.column_stack([x, 600 - 60 * np.sin((x - 100) / 1750 * 2)])
    px_per_mm = 1.6
    along = np.sort(rng.uniform(80, 1700, n))
    shoot = np.where(rng.random(n) < 0.2, rng.integers(0, 2, n), -1)
    forks = np.array([500.0, 1100.0])
    at = np.where(shoot >= 0, forks[np.maximum(shoot, 0)], along)
    px = np.interp(at, x - 100, line[:, 0])
    py = np.interp(at, x - 100, line[:, 1]) + np.where(shoot >= 0, -90, 25)
    fruit = Fruitlets.from_columns(
        x_px=px, y_px=py, r_px=np.full(n, 13.0), score=rng.uniform(0.5, 1, n),
        kind=(rng.random(n) < 0.08).astype(int), on_limb=np.ones(n, int), shoot=shoot,
        along_px=at, along_mm=at / px_per_mm, offset_px=np.full(n, 20.0),
        diameter_mm=rng.normal(16.5, 1.5, n), diameter_sd_mm=np.full(n, 0.6),
        roundness_frac=np.full(n, 0.95), visible_frac=np.full(n, 0.9), cluster=np.arange(n) // 2,
    )  # fmt: skip
    known = px_per_mm if scale else float("nan")
    limb = Limb(
        line_px=line, width_px=np.linspace(45, 20, 60), length_px=1760.0,
        length_mm=1760.0 / known, base_diameter_mm=45 / known, tip_diameter_mm=20 / known,
        diameter_rel_sd_frac=0.06, diameter_source="photo",
        shoots=tuple(
            Shoot(np.array([[f + 100, 560.0], [f + 180, 420.0]]), f, 6.0) for f in forks
        ),
    )  # fmt: skip
    measurement = Measurement(
        "limb 3 front.jpg", "00" * 32, 2000, 1200, None,
        Scale(known, 0.01, "card" if scale else "none"), fruit, limb, source="classical",
    )  # fmt: skip
    return Result(measurement, decide(measurement, GrowerInputs(species="peach", ripening_month=8)))


def north_4(limbs=11):
    rng = np.random.default_rng(9)
    d = rng.uniform(16, 42, limbs)
    have = np.round(6.5 * csa_cm2(d) * rng.gamma(16, 1 / 16, limbs))
    facts = [
        LimbShare(f"limb {i + 1}", float(a), float(h) if i < 6 else float("nan"))
        for i, (a, h) in enumerate(zip(csa_cm2(d), have, strict=True))
    ]
    total = ratio_total(have[:6], csa_cm2(d[:6]), all_area_cm2=csa_cm2(d))
    target = target_by_trunk(load_species("peach"), 46, age_years=9, season="late")
    return tree_sheet(facts, total, target=target, pace_n_per_min=28, fruit_g=155)


def tree_plan(name, sheet, *, plan=None, surer=""):
    """A tree's plan with that sheet; ``plan`` is that of limb 3."""
    count = TreeCount((), sheet.total, None, {}, (), surer, 1.0, {}, ())
    work = {}
    if plan is not None:
        work["limb 3"] = LimbWork({}, plan.decision.inputs, lambda row: plan.measurement)
    return TreePlan(name, sheet, count, "A", work=work)


def orchard():
    south = {"block": "South"}
    return [
        OrchardTree("North 4", "peach", "white, red cheek", "Hill", "seedling", "leans west", 2015,
                    460, 9, False, date(2026, 3, 18), None, None, False, 17.5),
        OrchardTree("North 5", "nectarine", "", "Hill", ripening_month=7, size_mm=22.4,
                    bloom_date=date(2026, 3, 12), trunk_circumference_mm=390),
        OrchardTree("Wall <old> & dear", "apricot", "from the neighbour's garden", **south,
                    ripening_month=6, bloom_date=date(2026, 3, 2), first_pass_on=date(2026, 4, 14)),
        OrchardTree("Pond 1", "japanese-plum", "Žlutá Δ 桃", **south, ripening_month=8),
        OrchardTree("Pond 2", "sweet-cherry", **south, ripening_month=6),
        OrchardTree("Gate", "peach", **south, ripening_month=8, leave_it=True, note="young"),
    ]  # fmt: skip


def block(n=0):
    rng = np.random.default_rng(4)
    trees = orchard()
    trees += [
        OrchardTree(f"Row 2-{i + 1}", "peach", "yellow", "Hill", ripening_month=7 + i % 3,
                    size_mm=float(rng.uniform(9, 24)))
        for i in range(n)
    ]  # fmt: skip
    out = []
    for line in queue(trees, TODAY):
        estimate = target = work = None
        if line.for_today or line.state == "soon":
            fruit = rng.poisson(rng.uniform(60, 140), 5)
            area = fruit / 7.0 * rng.uniform(0.8, 1.2, 5)
            whole = np.concatenate([area, rng.uniform(6, 20, 5)])
            estimate = ratio_total(fruit, area, all_area_cm2=whole)
            target = float(rng.integers(180, 320))
            work = thinning_work(estimate.value_n, target, pace_n_per_min=28, fruit_g=150)
        out.append(BlockTree(line, estimate, target, work))
    return out


HISTORY = {
    "North 4": [
        SeasonFacts(2024, 900, 320, 44.0, 140), SeasonFacts(2025, 1100, 290, 43.1, 152),
        SeasonFacts(2026, 980, 300),
    ],
    "North 5": [SeasonFacts(2026, 640, 210)],
}  # fmt: skip
