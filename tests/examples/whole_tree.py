"""One tree from photos to the printed sheet, in Python. Run: python tests/examples/whole_tree.py

The tree is invented: five limbs of eight are drawn from fixed seeds, so that every run gives the
same answer. With photos of your own, leave out ``draw_photos`` and name the folder: each photo in
a folder of its limb's name, that one in a folder of its tree's name.
"""

from __future__ import annotations

import sys
import tempfile
from contextlib import closing
from functools import partial
from pathlib import Path

from PIL import Image

from fruitcount import CountSettings
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.export.report_page import ReportSettings
from fruitcount.export.tree_work_sheet import tree_work_sheet
from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.facts import LimbSize, TreeFacts
from fruitcount.tree.folder import count_folder
from fruitcount.tree.photos import count_key, count_photo
from fruitcount.tree.plan import plan_tree


def draw_photos(folder: Path) -> dict[str, int]:
    """Five limbs of the invented tree "Gate"; gives how many fruit were drawn on each."""
    drawn = {}
    for k, (fruit_n, base_mm) in enumerate([(18, 13), (26, 17), (14, 12), (22, 15), (20, 14)]):
        scene = SceneSettings(fruit_n=fruit_n, base_diameter_mm=base_mm, leaf_n=60)
        photo, truth = draw_scene(100 + k, scene)
        place = folder / "Gate" / f"limb {k + 1}"
        place.mkdir(parents=True, exist_ok=True)
        Image.fromarray(photo.rgb).save(place / "front.png")
        drawn[f"limb {k + 1}"] = len(truth)
    return drawn


def run(folder: Path, out: Path) -> None:
    """Photos to counts, counts to the tree's estimate, target, shares and sheet."""
    settings = CountSettings(source="classical")
    work = partial(count_photo, settings=settings)
    with closing(ProgressLog(out / "progress.jsonl", count_key(settings))) as progress_log:
        counted = count_folder(folder, work, progress_log=progress_log)
    for limb in counted.limbs:
        print(f"{limb.tree}, {limb.limb}: {limb.count_n:.0f} fruit seen")

    # thickness of every limb by caliper, those not photographed too
    calipers_mm = {f"limb {k + 1}": d for k, d in enumerate([13, 17, 12, 15, 14, 16, 12, 18])}
    facts = TreeFacts(
        species="peach",
        ripening_month=8,
        age_years=4,
        trunk_circumference_mm=200,
        pace_n_per_min=25,
        limb_sizes={name: LimbSize(d) for name, d in calipers_mm.items()},
        seen_true=((14, 15), (18, 20), (20, 21)),  # three limbs counted by hand as well
    )
    answer = plan_tree(counted.rows, "Gate", facts)
    total, sheet = answer.sheet.total, answer.sheet
    print(f"On the tree: {total.value_n:.0f} ({total.low_n:.0f} to {total.high_n:.0f})")
    print(f"Target: {sheet.target.low_n:.0f} to {sheet.target.high_n:.0f}, {sheet.target.source}")
    for share in sheet.limbs:
        print(f"{share.name}: {share.have_n:.0f} now, keep {share.keep_n}")
    print(answer.count.surer)

    path = tree_work_sheet(answer, out / "Gate_sheet.pdf", settings=ReportSettings("a4"))
    print(f"Wrote {path}")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as photos:
        result_folder = Path(sys.argv[1] if len(sys.argv) > 1 else "out")
        result_folder.mkdir(parents=True, exist_ok=True)
        draw_photos(Path(photos))
        run(Path(photos), result_folder)
