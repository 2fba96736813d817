"""Write the list of sample photographs from their truth."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

HEAD = """# Sample photographs

Limbs of an **invented** small orchard: no such trees exist, and no photograph was taken. The \
pictures
are path-traced by this project's own seeded renderer (`fruitcount/training/render`), so the truth
beside them in `truth.json` is exact. The net shipped in `models/` learned partly from other \
pictures of the
same renderer, so how well it counts here says little about how well it counts in an orchard.
Licence: MIT, as the project.

Each picture shows one limb from its base to its tip and a printed scale card (ArUco, 4x4 \
dictionary of
50) hung beside it at the limb's own distance. Blurred limbs behind are not part of it; their \
fruit are
marked `ignore` in the truth.

| File | What it shows | Species file | Size, px | Limb, mm | Base / tip, mm | Fruit | Yellowing \
| Damaged | Half or more seen | Diameter, mm | Card, number: mm (lean) | Light | px a mm |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |
"""

TAIL = """
`truth.json` holds `photos`, one entry a picture: `limb` (centre line in pixels and in mm, \
length, widths),
`card` (number, side, corners in pixels, lean in degrees), `px_per_mm` at the limb's mean \
distance, and `fruit`, each with
centre `x`, `y` and radius `r_px` of the circle of equal area, `visible` (share of its outline \
that is
seen), `diameter_mm`, `along_mm` from the limb's base and `cls`: `green`, `yellowing`, `damaged` or
`ignore`. The origin is the centre of the top-left pixel.

To make them again (a graphics card is a great help; `llvm_ad_rgb` does it without):

```
pip install -e ".[train]"
python -m fruitcount.training.render.samples --out sample_images --variant cuda_ad_rgb --spp 200 \
--workers 2
```

The same seeds give the same scenes and the same truth; grain and JPEG bytes may differ between \
machines.
"""


def row(r: dict[str, Any]) -> str:
    """One line of the table."""
    own = [f for f in r["fruit"] if f["on_limb"]]
    count = {c: sum(f["cls"] == c for f in own) for c in ("yellowing", "damaged")}
    limb, card = r["limb"], r["card"]
    d = sorted(f["diameter_mm"] for f in own)
    cells = [
        f"`{r['image']}`",
        r["title"],
        r["species"],
        f"{r['width']} x {r['height']}",
        f"{limb['length_mm']:.0f}",
        f"{limb['base_diameter_mm']:.0f} / {limb['tip_diameter_mm']:.1f}",
        str(len(own)),
        str(count["yellowing"]),
        str(count["damaged"]),
        str(sum(f["visible"] >= 0.5 for f in own)),
        f"{d[0]:.0f} to {d[-1]:.0f}",
        f"{card['id']}: {card['side_mm']:.0f} ({card['tilt_deg']:.0f}°)",
        r["light"],
        f"{r['px_per_mm']:.2f}",
    ]
    return "| " + " | ".join(cells) + " |"


def write_readme(folder: Path) -> None:
    """Write ``README.md`` beside ``truth.json``."""
    photos = json.loads((folder / "truth.json").read_text())["photos"]
    (folder / "README.md").write_text(HEAD + "\n".join(row(r) for r in photos) + "\n" + TAIL)
