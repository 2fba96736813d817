"""Every reader of the project, with good bytes to start from.

A reader here takes bytes and a folder that it may write to. It ends well, or with one of the
project's own errors; anything else is a finding. What it returns is looked at as well: numbers
that must be finite, forms that must be writable again.
"""

from __future__ import annotations

import io
import json
import math
import sys
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
for _folder in ("", "ui", "tests"):
    if str(ROOT / _folder) not in sys.path:
        sys.path.insert(0, str(ROOT / _folder))

from PIL import Image  # noqa: E402

from fruitcount.errors import FruitcountError  # noqa: E402


@dataclass(frozen=True)
class Reader:
    """A reader, and what makes the good bytes to damage."""

    seeds: Callable[[], list[bytes]]
    read: Callable[[bytes, Path], object]


def _picture(seed: int = 1, size: tuple[int, int] = (40, 28)) -> Image.Image:
    rng = np.random.default_rng(seed)
    small = rng.integers(0, 256, (7, 9, 3), dtype=np.uint8)
    return Image.fromarray(small).resize(size, Image.Resampling.BICUBIC)


def _exif() -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x0132] = "2026:05:02 08:09:10"
    exif.get_ifd(0x8769)[0x9003] = "2026:05:02 08:09:10"
    gps = exif.get_ifd(0x8825)
    gps.update({1: "N", 2: (47.0, 22.0, 36.5), 3: "E", 4: (8.0, 32.0, 24.5)})
    return exif


def _saved(picture: Image.Image, kind: str, **how: Any) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **how)
    return out.getvalue()


def _jpeg() -> list[bytes]:
    grey, cmyk = _picture().convert("L"), _picture().convert("CMYK")
    xmp = b"http://ns.adobe.com/xap/1.0/\x00<x exif:GPSLatitude='47,22N'/>"
    return [
        _saved(_picture(), "JPEG", exif=_exif(), quality=80, xmp=xmp),
        _saved(_picture(), "JPEG", progressive=True),
        _saved(grey, "JPEG"),
        _saved(cmyk, "JPEG"),
        _saved(_picture(), "MPO", save_all=True, append_images=[_picture(2)]),
    ]


def _png() -> list[bytes]:
    deep = Image.fromarray(np.arange(0, 60000, 50, dtype=np.uint16).reshape(30, 40))
    moving = _saved(_picture(), "PNG", save_all=True, append_images=[_picture(3)])
    return [
        _saved(_picture(), "PNG", exif=_exif()),
        _saved(_picture().convert("RGBA"), "PNG"),
        _saved(_picture().quantize(16), "PNG"),
        _saved(deep, "PNG"),
        moving,
    ]


def _webp() -> list[bytes]:
    return [
        _saved(_picture(), "WEBP", exif=_exif()),
        _saved(_picture().convert("RGBA"), "WEBP", lossless=True),
        _saved(_picture(), "WEBP", save_all=True, append_images=[_picture(2)]),
    ]


def _tiff() -> list[bytes]:
    return [
        _saved(_picture(), "TIFF", exif=_exif()),
        _saved(_picture(), "TIFF", compression="tiff_lzw"),
        _saved(_picture().convert("F"), "TIFF"),
        _saved(_picture().convert("CMYK"), "TIFF", compression="tiff_deflate"),
        _saved(_picture(), "TIFF", big_tiff=True),
    ]


def _heic() -> list[bytes]:
    folder = ROOT / "tests" / "image" / "data"
    return [(folder / name).read_bytes() for name in ("upright.heic", "turned.heic")]


def _photo(data: bytes, _: Path) -> None:
    from fruitcount.image.metadata import without_location
    from fruitcount.image.photo import read_photo

    bare = without_location(data)  # must take anything
    photo = read_photo(data, name="fuzz")
    assert photo.rgb.dtype == np.uint8
    assert photo.rgb.ndim == 3
    assert photo.rgb.shape[2] == 3
    again = read_photo(bare, name="fuzz")
    # of a sound file every pixel stays; damaged Exif may lose the turn along with the place
    assert again.rgb.size == photo.rgb.size, "taking the place out changed the picture"


def _card_photo() -> list[bytes]:
    from fruitcount.evaluate.synthetic import SceneSettings, draw_scene

    photo, _ = draw_scene(3, SceneSettings(fruit_n=3))
    small = Image.fromarray(photo.rgb).crop((30, 20, 270, 200))
    return [_saved(small, "BMP")]


def _card(data: bytes, _: Path) -> None:
    from fruitcount.image.card import find_card
    from fruitcount.image.quality import photo_quality
    from fruitcount.types import Photo

    pixels = np.frombuffer(data[54:], np.uint8)
    wide = 240
    high = max(1, min(len(pixels) // (3 * wide), 400))
    rgb = np.resize(pixels, (high, wide, 3)) if len(pixels) else np.zeros((1, wide, 3), np.uint8)
    photo = Photo(rgb)
    scale = find_card(photo)
    assert scale.known == (scale.px_per_mm > 0)
    photo_quality(photo)


YOLO = b"0 0.5 0.5 0.1 0.12\n1 0.25 0.75 0.05 0.05\n"
VOC = b"""<annotation><filename>a.png</filename><size><width>40</width><height>28</height></size>
<object><name>fruit</name><difficult>0</difficult><bndbox><xmin>3</xmin><ymin>4</ymin><xmax>9</xmax>
<ymax>11</ymax></bndbox></object></annotation>"""
COCO = json.dumps({
    "images": [{"id": 1, "file_name": "a.png", "width": 40, "height": 28}],
    "categories": [{"id": 1, "name": "fruit"}, {"id": 2, "name": "yellowing"}],
    "annotations": [
        {"id": 1, "image_id": 1, "category_id": 1, "bbox": [1, 2, 3, 4], "circle_px": [2, 2, 1],
         "score": 0.5, "diameter_mm": 12.5, "iscrowd": 0},
        {"id": 2, "image_id": 1, "category_id": 2, "bbox": [9, 9, 4, 4], "circle_px": [10, 10, 2]},
    ],
}).encode()  # fmt: skip
OURS = json.dumps({
    "photos": [{
        "image": "a.png", "width": 40, "height": 28, "light": "sun", "px_per_mm": 2.5,
        "limb": {"polyline_px": [[1, 2], [3, 4]], "length_mm": 300, "base_diameter_mm": 20},
        "fruit": [{"x": 1, "y": 2, "r_px": 3, "cls": "green", "visible": 1, "on_limb": True,
                   "diameter_mm": 11.5, "along_mm": 40},
                  {"x": 9, "y": 9, "r_px": 2, "cls": "yellowing"}],
    }]
}).encode()  # fmt: skip


def _check_truth(truths: Any) -> None:
    for truth in truths:
        for column in (truth.x_px, truth.y_px, truth.r_px):
            assert np.isfinite(column).all()
        assert min(truth.width_px, truth.height_px) > 0
        assert truth.limb_line_px.ndim == 2


def _truth(kind: str) -> Callable[[bytes, Path], None]:
    def read(data: bytes, folder: Path) -> None:
        from fruitcount.evaluate.truth import read_truth

        photo = folder / "a.png"
        if not photo.exists():
            _picture().save(photo)
        name = {"yolo": "a.txt", "voc": "a.xml", "coco": "notes.json", "ours": "truth.json"}[kind]
        (folder / name).write_bytes(data)
        _check_truth(read_truth(folder))

    return read


@cache
def _seen() -> Any:
    from fruitcount.flags import Flag
    from fruitcount.types import Fruitlets, Limb, Measurement, Scale, Shoot

    rng = np.random.default_rng(1)
    n = 5
    return Measurement(
        name="limb.jpg", sha256="ab" * 32, width_px=400, height_px=300, taken_at=None,
        scale=Scale(3.25, 0.01, "card", rng.random((4, 2)) * 100, 50.0, 3, 4.5, Flag.CARD_SMALL),
        fruitlets=Fruitlets.from_columns(
            x_px=rng.random(n) * 400, y_px=rng.random(n) * 300, r_px=rng.random(n) * 9 + 1,
            score=rng.random(n), on_limb=[1, 0, -1, 1, 1], diameter_mm=[np.nan, 9, 10, 11, 12],
        ),
        limb=Limb(
            line_px=rng.random((3, 2)) * 300, width_px=[30, np.nan, 22.5], length_px=280.1,
            shoots=(Shoot(rng.random((2, 2)), 12.5),), flags=Flag.LIMB_DOUBTFUL,
        ),
        flags=Flag.CARD_SMALL, source="classical",
    )  # fmt: skip


def _seen_json() -> list[bytes]:
    from fruitcount.measurement_record import measurement_to_dict

    return [json.dumps(measurement_to_dict(_seen())).encode()]


def _loaded(data: bytes) -> Any:
    """The value, or a project error in place of the JSON reader's own."""
    try:
        return json.loads(data)
    except (ValueError, RecursionError) as error:
        raise FruitcountError("not json") from error


def _read_seen(data: bytes, _: Path) -> None:
    from fruitcount.measurement_record import measurement_from_dict, measurement_to_dict

    measurement = measurement_from_dict(_loaded(data))
    json.dumps(measurement_to_dict(measurement), allow_nan=False)


def _first_pass(data: bytes, folder: Path) -> None:
    from fruitcount.jobs.count import read_left_standing

    path = folder / "limb.json"
    path.write_bytes(data)
    first = read_left_standing(path)
    assert first.kept_count >= 0


def _decided(data: bytes, _: Path) -> None:
    """A record that can be read can be decided on."""
    from fruitcount.measurement_record import measurement_from_dict
    from fruitcount.pipeline import decide

    measurement = measurement_from_dict(_loaded(data))
    if len(measurement.fruitlets) <= 50 and len(measurement.limb.line_px) <= 500:
        decide(measurement)


TREES = (
    b"name,block,species,variety,planted_year,ripening_month,trunk_circumference_mm,size_mm,"
    b"bloom_date,first_pass_on,second_pass_on,southern,leave_it\n"
    b"North 3,A,peach,,2015,7,450,12.5,2026-03-18,2026-05-02,,no,no\n"
    b'South "1",B,nectarine,,2018,8,380,,2026-03-20,,,yes,\n'
)
HOURS = b"time,temperature_c\n2026-03-18T05:00,7.5\n2026-03-18T06:00,\n2026-03-18 07:00:00,-1e1\n"
LIMBS = b"tree,limb,base_diameter_mm,length_mm\nN,1,22.5,800\nN,2,18,\n"
SIDES = b"tree,limb,front,back,both\nN,1,30,25,18\nN,2,12,14,9\n"
HANDS = b"seen,true\n20,24\n31,35\n"
SHEET = b"file,tree,limb,side,moment\na/b.jpg,North 3,1,front,before\nc.jpg,South,2,b,after\n"
TABLE = (
    b"file,tree,limb,side,moment,ok,problem,count_n,keep_n,yellowing_n,median_size_mm,"
    b"base_diameter_mm,length_mm,card_id,taken_at,flags,same_as,sha256,look\n"
    b"a.jpg,N,1,front,,yes,,23,6,1,14.5,22.1,800,12,2026-05-02T08:09:10,CARD_SMALL,,abc,00ff00ff00ff00ff\n"
    b"'=b.jpg,N,2,,,no,is damaged,,,,,,,-1,,,,def,\n"
)


def _sheet(kind: str) -> Callable[[bytes, Path], None]:
    def read(data: bytes, folder: Path) -> None:
        path = folder / "sheet.csv"
        path.write_bytes(data)
        _READ_SHEET[kind](path)

    return read


def _trees(path: Path) -> None:
    from datetime import date

    from fruitcount.jobs.season import season_book, season_lines
    from fruitcount.season.orchard import read_trees

    season_lines(season_book(read_trees(path), date(2026, 5, 2)))


def _hours(path: Path) -> None:
    from datetime import date

    from fruitcount.season.heat import heat_by_tree, read_weather
    from fruitcount.season.orchard import OrchardTree

    heat_by_tree([OrchardTree("N", bloom_date=date(2026, 3, 18))], read_weather(path))


def _limb_sizes(path: Path) -> None:
    from fruitcount.tree.facts import read_limb_sizes

    for size in read_limb_sizes(path, "N").values():
        assert size.base_diameter_mm != 0


def _hand_counts(path: Path) -> None:
    from fruitcount.tree.facts import read_hand_counts

    assert all(math.isfinite(a + b) for a, b in read_hand_counts(path)[0])


def _both_sides(path: Path) -> None:
    from fruitcount.tree.both_sides import both_sides_factor, both_sides_lines
    from fruitcount.tree.facts import read_both_sides

    limbs = read_both_sides(path, "N")
    assert both_sides_lines(limbs)
    assert math.isfinite(both_sides_factor(limbs).value)


def _naming(path: Path) -> None:
    from fruitcount.tree.assignment import read_sheet

    read_sheet(path)


def _rows(path: Path) -> None:
    from fruitcount.tree.facts import TreeFacts
    from fruitcount.tree.folder import read_rows
    from fruitcount.tree.plan import plan_tree

    rows = read_rows(path)
    assert all(r["count_n"] is None or math.isfinite(r["count_n"]) for r in rows)
    plan_tree(rows, "N", TreeFacts())


_READ_SHEET: dict[str, Callable[[Path], None]] = {
    "trees": _trees,
    "hours": _hours,
    "limbs": _limb_sizes,
    "hands": _hand_counts,
    "sides": _both_sides,
    "naming": _naming,
    "table": _rows,
}


def _ledger_lines() -> list[bytes]:
    rows = [
        {"sha256": "a" * 64, "settings_key": "k", "body": {"ok": True, "count_n": n}}
        for n in (1, 2)
    ]
    return [b"".join(json.dumps(row).encode() + b"\n" for row in rows)]


def _ledger(data: bytes, folder: Path) -> None:
    from fruitcount.tree.checkpoint import ProgressLog

    path = folder / "progress.jsonl"
    path.write_bytes(data)
    progress_log = ProgressLog(path, "k")
    try:
        progress_log.add("b" * 64, {"ok": True})
        progress_log.rows()
    finally:
        progress_log.close()


@cache
def _filled(folder: Path) -> tuple[bytes, bytes, dict[str, bytes]]:
    """Records with a tree, a photo, edits and a decision: as database, archive and tables."""
    from datetime import date

    from helpers import add_edit

    from fruitcount.season.orchard import OrchardTree
    from fruitcount.store.archive import write_archive
    from fruitcount.store.base import open_store
    from fruitcount.store.limbs import save_limb
    from fruitcount.store.open_folder import write_csv_folder
    from fruitcount.store.orchard import save_tree
    from fruitcount.store.photo_record import save_decision, save_measurement
    from fruitcount.store.photos import PhotoPlace, save_photo

    records = open_store(folder / "full.db")
    tree = save_tree(records, OrchardTree("North", bloom_date=date(2026, 3, 18)), year=2026)
    limb = save_limb(records, tree, name="1")
    photo = save_photo(records, _jpeg()[0], name="a.jpg", place=PhotoPlace(tree, limb))
    save_measurement(records, photo, _seen())
    add_edit(records, photo, 0, {"edit": "x", "n": 1})
    save_decision(records, photo, revision=1, inputs={"a": 1}, decision={"count_n": 3})
    archive = write_archive(records, folder / "full.zip").read_bytes()
    tables = {p.name: p.read_bytes() for p in write_csv_folder(records, folder / "tables")}
    records.close()
    return (folder / "full.db").read_bytes(), archive, tables


@cache
def _made() -> tuple[bytes, bytes, dict[str, bytes]]:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        return _filled(Path(folder))


def _fresh(folder: Path) -> Any:
    from fruitcount.store.base import open_store

    for old in folder.glob("new.db*"):
        old.unlink()
    (folder / "new.db").write_bytes(_empty())
    return open_store(folder / "new.db")


@cache
def _empty() -> bytes:
    """Records without a row: quicker to copy than to make."""
    import tempfile

    from fruitcount.store.base import open_store

    with tempfile.TemporaryDirectory() as name:
        open_store(Path(name) / "a.db").close()
        return (Path(name) / "a.db").read_bytes()


def _archive_lines() -> list[bytes]:
    with zipfile.ZipFile(io.BytesIO(_made()[1])) as archive:
        return [archive.read("records.jsonl")]


def _archive_of_lines(data: bytes, folder: Path) -> None:
    """The lines of an archive damaged inside a sound zip."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_made()[1])) as old, zipfile.ZipFile(out, "w") as new:
        new.writestr("records.jsonl", data)
        for name in old.namelist():
            if name != "records.jsonl":
                new.writestr(name, old.read(name))
    _archive(out.getvalue(), folder)


def _archive(data: bytes, folder: Path) -> None:
    from fruitcount.store.archive import find_damage, read_archive
    from fruitcount.store.photo_record import list_photos, load_record

    path = folder / "in.zip"
    path.write_bytes(data)
    records = _fresh(folder)
    try:
        try:
            read_archive(records, path)
        except FruitcountError:
            assert list_photos(records) == [], "a refused archive left rows behind"
            raise
        find_damage(records)
        for photo in list_photos(records):
            load_record(records, photo.number)
    finally:
        records.close()


def _tables(data: bytes, folder: Path) -> None:
    from fruitcount.store.archive import find_damage
    from fruitcount.store.open_folder import read_csv_folder
    from fruitcount.store.photo_record import list_photos

    inside = folder / "tables"
    inside.mkdir(exist_ok=True)
    for name, good in _made()[2].items():
        (inside / name).write_bytes(good)
    which, _, text = data.partition(b"\0")
    names = sorted(_made()[2])
    (inside / names[len(which) % len(names)]).write_bytes(text)
    records = _fresh(folder)
    try:
        try:
            read_csv_folder(records, inside)
        except FruitcountError:
            assert list_photos(records) == [], "refused tables left rows behind"
            raise
        find_damage(records)
    finally:
        records.close()


def _one_table_each() -> list[bytes]:
    names = sorted(_made()[2])
    return [b"x" * k + b"\0" + _made()[2][name] for k, name in enumerate(names)]


def _database(data: bytes, folder: Path) -> None:
    from fruitcount.store.archive import find_damage
    from fruitcount.store.base import open_store
    from fruitcount.store.orchard import load_trees
    from fruitcount.store.photo_record import list_photos, load_record

    for old in folder.glob("old.db*"):
        old.unlink()
    path = folder / "old.db"
    path.write_bytes(data)
    records = open_store(path)
    try:
        find_damage(records)
        load_trees(records, year=2026)
        for photo in list_photos(records):
            load_record(records, photo.number)
    finally:
        records.close()


def _species() -> list[bytes]:
    folder = ROOT / "fruitcount" / "species"
    return [(folder / f"{name}.toml").read_bytes() for name in ("peach", "european-plum")]


def _read_species(data: bytes, folder: Path) -> None:
    from fruitcount.species.model import read_species_file

    name = "european-plum" if b"european-plum" in data else "peach"
    path = folder / f"{name}.toml"
    path.write_bytes(data)
    read_species_file(path)


def _our_marks() -> list[bytes]:
    from fruitcount.measurement_record import CocoPhoto, coco_object

    body = coco_object([CocoPhoto(_seen())])
    body["annotations"].append({"image_id": 1, "category_id": 1, "bbox": [9, 9, 8, 8]})
    return [json.dumps(body).encode()]


def _marks(data: bytes, folder: Path) -> None:
    from fruitcount.measurement_record import photos_from_coco

    try:
        body = json.loads(data)
    except (ValueError, RecursionError):
        return
    for photo in photos_from_coco(body):
        assert np.isfinite(photo.measurement.fruitlets.x_px).all()


def _code_text(data: bytes, _: Path) -> None:
    """What the code on a card may say; anyone can print one."""
    from fruitcount.tree.card_code import place_by_code

    place = place_by_code(data.decode("utf-8", "replace"))
    if place is not None:
        assert (place.tree + place.limb).isprintable()
        assert max(len(place.tree), len(place.limb)) <= 60


def _code_photo() -> list[bytes]:
    import segno

    code = segno.make("fruitcount:North+3/1", error="m", micro=False)
    rows = np.array([[255 * (1 - cell) for cell in row] for row in code.matrix], np.uint8)
    wide = np.pad(np.kron(rows, np.ones((5, 5), np.uint8)), 30, constant_values=255)
    picture = Image.fromarray(np.repeat(wide[..., None], 3, axis=2)).resize((240, 240))
    return [_saved(picture, "BMP")]


def _code_picture(data: bytes, _: Path) -> None:
    from fruitcount.tree.card_code import read_card_code
    from fruitcount.types import Scale

    pixels = np.frombuffer(data[54:], np.uint8)
    rgb = np.resize(pixels, (240, 240, 3)) if len(pixels) else np.zeros((240, 240, 3), np.uint8)
    read = read_card_code(rgb, Scale())
    assert (read.place.tree + read.place.limb).isprintable()


@cache
def _coco_folder() -> bytes:
    import tempfile

    from fruitcount.store.archive import read_archive
    from fruitcount.store.base import open_store
    from fruitcount.store.open_folder import COCO_FILE, write_coco_folder

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "full.zip").write_bytes(_made()[1])
        records = open_store(folder / "full.db")
        read_archive(records, folder / "full.zip")
        write_coco_folder(records, folder / "out")
        records.close()
        return (folder / "out" / COCO_FILE).read_bytes()


def _read_coco_folder(data: bytes, folder: Path) -> None:
    from fruitcount.store.archive import find_damage
    from fruitcount.store.open_folder import COCO_FILE, read_coco_folder
    from fruitcount.store.photo_record import list_photos

    inside = folder / "coco"
    inside.mkdir(exist_ok=True)
    (inside / COCO_FILE).write_bytes(data)
    records = _fresh(folder)
    try:
        try:
            read_coco_folder(records, inside)
        except FruitcountError:
            assert list_photos(records) == [], "a refused file left rows behind"
            raise
        find_damage(records)
    finally:
        records.close()


CODES = [b"fruitcount:North+3", b"fruitcount:North+3/1", b"fruitcount:%C3%A4/b%2Fc"]
LENGTHS = [b"40 cm", b"12mm", b'3/8"', b"1 1/2 in", b"0.5 m", b"2 ft"]


def _words(data: bytes, folder: Path) -> None:
    """Words typed on the command line."""
    from fruitcount.tree.assignment import place_by_name
    from fruitcount.units import parse_length

    text = data.decode("utf-8", "replace")
    place_by_name(folder / "a_1_front.jpg", text.replace("/", ""))
    assert math.isfinite(parse_length(text))


BOX = {
    "client": "phone",
    "items": [
        {"seq": 1, "do": {"edit": "add", "mark": {
            "id": "h1", "x_px": 30.0, "y_px": 40.0, "r_px": 9.0, "kind": "fruit", "on_limb": 1,
            "score": 1.0, "by_hand": True}}},
        {"seq": 2, "undo": True, "base": 1},
        {"seq": 3, "line": {"taps": [[10, 10], [200, 150]], "follow": False}, "base": 0},
        {"seq": 4, "scale": {"how": "two points", "mm": 100, "points": [[1, 1], [90, 1]]}},
        {"seq": 5, "redo": True, "base": 2},
    ],
}  # fmt: skip


@cache
def _screen_photo() -> Path:
    import tempfile

    path = Path(tempfile.mkdtemp()) / "limb.png"
    _picture(4, (400, 300)).save(path)
    return path


def _screen(data: bytes, _: Path) -> None:
    """What a browser sends."""
    from functools import partial

    import screen_engine as engine
    from screen_outbox import EditSession, take_batch

    import fruitcount.corrections as cx

    box = _loaded(data)
    if not isinstance(box, dict):
        return
    session = EditSession(cx.History.begin(cx.sheet_of(_seen())))
    events = take_batch(session, box, partial(engine.to_edit, _seen(), _screen_photo()))
    json.dumps([dict(e.step) for e in events], allow_nan=False)
    again = EditSession(cx.History.begin(cx.sheet_of(_seen())))
    again.follow(events)  # what is stored must be readable after a restart
    assert again.history.sheet == session.history.sheet


def _zip_seed() -> list[bytes]:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("tree/a.jpg", _jpeg()[0])
        archive.writestr("../b.png", _png()[0])
    return [out.getvalue()]


def _zip(data: bytes, _: Path) -> None:
    from screen_photos import photos_in

    class File:
        name = "tree.zip"

        def getvalue(self) -> bytes:
            return data

    for name, body in photos_in([File()]):
        assert "/" not in name
        assert isinstance(body, (bytes, FruitcountError))


READERS: dict[str, Reader] = {
    "jpeg": Reader(_jpeg, _photo),
    "png": Reader(_png, _photo),
    "webp": Reader(_webp, _photo),
    "tiff": Reader(_tiff, _photo),
    "heic": Reader(_heic, _photo),
    "card": Reader(_card_photo, _card),
    "yolo": Reader(lambda: [YOLO, b""], _truth("yolo")),
    "voc": Reader(lambda: [VOC], _truth("voc")),
    "coco": Reader(lambda: [COCO], _truth("coco")),
    "truth": Reader(lambda: [OURS], _truth("ours")),
    "seen": Reader(_seen_json, _read_seen),
    "decide": Reader(_seen_json, _decided),
    "first-pass": Reader(
        lambda: [b'{"left_standing": {"kept_count": 3, "final_count": 2.0, "length_mm": 352.5, '
                 b'"species": "peach"}}'],
        _first_pass,
    ),
    "trees": Reader(lambda: [TREES], _sheet("trees")),
    "hours": Reader(lambda: [HOURS], _sheet("hours")),
    "limb-sizes": Reader(lambda: [LIMBS], _sheet("limbs")),
    "hand-counts": Reader(lambda: [HANDS], _sheet("hands")),
    "both-sides": Reader(lambda: [SIDES], _sheet("sides")),
    "naming": Reader(lambda: [SHEET], _sheet("naming")),
    "table": Reader(lambda: [TABLE], _sheet("table")),
    "ledger": Reader(_ledger_lines, _ledger),
    "archive": Reader(lambda: [_made()[1]], _archive),
    "archive-lines": Reader(_archive_lines, _archive_of_lines),
    "csv-tables": Reader(_one_table_each, _tables),
    "database": Reader(lambda: [_made()[0]], _database),
    "species": Reader(_species, _read_species),
    "marks": Reader(_our_marks, _marks),
    "coco-folder": Reader(lambda: [_coco_folder()], _read_coco_folder),
    "code": Reader(lambda: CODES, _code_text),
    "code-picture": Reader(_code_photo, _code_picture),
    "words": Reader(lambda: LENGTHS, _words),
    "screen": Reader(lambda: [json.dumps(BOX).encode()], _screen),
    "zip": Reader(_zip_seed, _zip),
}  # fmt: skip
