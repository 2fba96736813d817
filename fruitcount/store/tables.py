"""The tables: trees, limbs, seasons, photos, measurements, hand edits, decisions; their version.

What the tool saw and what the user changed lie in different tables, so that a correction never
overwrites a measurement. Text columns are never null (empty means "not given"), which lets a CSV
cell say all that a column can hold. Times are ISO 8601 text in UTC: the same in every database.

To change a table: change it here and add one function to :data:`STEPS` under the next number;
``LATEST`` follows. A new database is made at the latest version at once; an older one goes through
every step in order, all in one transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import JSON, Connection, ForeignKey, Text, UniqueConstraint, inspect, text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from fruitcount.errors import RecordError


def now_text() -> str:
    """The time now, ISO 8601 with seconds, UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds")


class Base(DeclarativeBase):
    """Mother of all tables."""

    type_annotation_map = {str: Text, dict[str, Any]: JSON, list[dict[str, Any]]: JSON}  # noqa: RUF012


class Meta(Base):
    """One row a fact about the database itself: its kind and its version."""

    __tablename__ = "meta"
    name: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[str]


class Numbered(Base):
    """A table whose rows have numbers."""

    __abstract__ = True
    id: Mapped[int] = mapped_column(primary_key=True, sort_order=-2)


class OfPhoto(Numbered):
    """A table whose rows belong to a photo, and go with it."""

    __abstract__ = True
    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id", ondelete="CASCADE"), sort_order=-1)
    made_at: Mapped[str] = mapped_column(default=now_text, sort_order=1)


class TreeRow(Numbered):
    """A tree, as it is every year."""

    __tablename__ = "tree"
    name: Mapped[str] = mapped_column(unique=True)
    species: Mapped[str] = mapped_column(default="")
    variety: Mapped[str] = mapped_column(default="")
    block: Mapped[str] = mapped_column(default="")
    rootstock: Mapped[str] = mapped_column(default="")
    planted_year: Mapped[int | None]
    trunk_circumference_mm: Mapped[float | None]
    ripening_month: Mapped[int | None]
    harvest_days: Mapped[int | None]
    southern: Mapped[bool] = mapped_column(default=False)
    note: Mapped[str] = mapped_column(default="")


class LimbRow(Numbered):
    """A limb of a tree."""

    __tablename__ = "limb"
    __table_args__ = (UniqueConstraint("tree_id", "name"),)
    tree_id: Mapped[int] = mapped_column(ForeignKey("tree.id", ondelete="CASCADE"))
    name: Mapped[str]
    base_diameter_mm: Mapped[float | None]
    length_mm: Mapped[float | None]
    note: Mapped[str] = mapped_column(default="")


class SeasonRow(Numbered):
    """One tree in one year."""

    __tablename__ = "season"
    __table_args__ = (UniqueConstraint("tree_id", "year"),)
    tree_id: Mapped[int] = mapped_column(ForeignKey("tree.id", ondelete="CASCADE"))
    year: Mapped[int]
    bloom_date: Mapped[date | None]
    first_pass_on: Mapped[date | None]
    second_pass_on: Mapped[date | None]
    leave_it: Mapped[bool] = mapped_column(default=False)
    size_mm: Mapped[float | None]
    fruit_before_n: Mapped[float | None]
    fruit_after_n: Mapped[float | None]
    harvest_kg: Mapped[float | None]
    fruit_g: Mapped[float | None]
    note: Mapped[str] = mapped_column(default="")


class HandCountRow(Numbered):
    """A limb counted by hand and on its photo: what calibrates seen to true."""

    __tablename__ = "hand_count"
    tree_id: Mapped[int | None] = mapped_column(ForeignKey("tree.id", ondelete="CASCADE"))
    year: Mapped[int]
    limb: Mapped[str] = mapped_column(default="")
    seen_n: Mapped[float]
    true_n: Mapped[float]
    note: Mapped[str] = mapped_column(default="")


class PhotoRow(Numbered):
    """A photo, known by the hash of the bytes it came with; the file lies in the photos folder.

    ``file_sha256`` is the hash of the file as it is kept, which lacks the place where the photo
    was taken; empty means that it is the same.
    """

    __tablename__ = "photo"
    sha256: Mapped[str] = mapped_column(unique=True)
    file_name: Mapped[str] = mapped_column(default="")
    suffix: Mapped[str] = mapped_column(default="")
    bytes_n: Mapped[int]
    file_sha256: Mapped[str] = mapped_column(default="", server_default="")
    tree_id: Mapped[int | None] = mapped_column(ForeignKey("tree.id", ondelete="CASCADE"))
    limb_id: Mapped[int | None] = mapped_column(ForeignKey("limb.id", ondelete="CASCADE"))
    side: Mapped[str] = mapped_column(default="")
    moment: Mapped[str] = mapped_column(default="")
    saved_at: Mapped[str] = mapped_column(default=now_text)


class SideCountRow(Numbered):
    """Fruit recognised as the same on two photos of one limb; goes with either photo.

    ``marks`` holds their places, as JSON: x and y (px) on the front, then on the back.
    """

    __tablename__ = "side_count"
    __table_args__ = (UniqueConstraint("front_photo_id", "back_photo_id"),)
    front_photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id", ondelete="CASCADE"))
    back_photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id", ondelete="CASCADE"))
    both_n: Mapped[int]
    marks: Mapped[str] = mapped_column(default="")
    made_at: Mapped[str] = mapped_column(default=now_text)


class MeasurementRow(OfPhoto):
    """What the tool measured on a photo.

    Records of earlier versions may hold several of a photo, by ``settings_key``; the first counts,
    since that is what corrections belong to.
    """

    __tablename__ = "measurement"
    __table_args__ = (UniqueConstraint("photo_id", "settings_key"),)
    settings_key: Mapped[str] = mapped_column(default="")
    body: Mapped[dict[str, Any]]


class EditRow(OfPhoto):
    """One step of the user's corrections; rows are only ever added."""

    __tablename__ = "edit"
    __table_args__ = (UniqueConstraint("photo_id", "revision"),)
    revision: Mapped[int]
    kind: Mapped[str]
    body: Mapped[list[dict[str, Any]]]


class DecisionRow(OfPhoto):
    """A decision, with the answers it rests on and the revision it was made at."""

    __tablename__ = "decision"
    revision: Mapped[int]
    inputs: Mapped[dict[str, Any]]
    body: Mapped[dict[str, Any]]


class TuningRow(Numbered):
    """What a tree's corrections taught, accepted by the user; rows stay when it is taken back."""

    __tablename__ = "tuning"
    tree_id: Mapped[int] = mapped_column(ForeignKey("tree.id", ondelete="CASCADE"))
    body: Mapped[dict[str, Any]]
    accepted_at: Mapped[str] = mapped_column(default=now_text)
    ended_at: Mapped[str] = mapped_column(default="")


KIND = "fruitcount records"
FIRST = 1
Step = Callable[[Connection], object]


def _run(line: str) -> Step:
    return lambda conn: conn.execute(text(line))


def _add_column(conn: Connection, table: str, name: str, kind: str) -> None:
    """A column that a table made by an earlier step has already is left alone."""
    if name not in {column["name"] for column in inspect(conn).get_columns(table)}:
        conn.execute(text(f"ALTER TABLE {table} ADD COLUMN {name} {kind}"))


# version it leads to -> what has to be done; version 1 is the first, so the table starts at 2
STEPS: dict[int, Step] = {
    2: Base.metadata.tables["hand_count"].create,
    3: _run("ALTER TABLE photo ADD COLUMN file_sha256 TEXT NOT NULL DEFAULT ''"),
    4: Base.metadata.tables["tuning"].create,
    5: Base.metadata.tables["side_count"].create,
    6: _run("ALTER TABLE tree ADD COLUMN harvest_days INTEGER"),
    7: _run("DROP TABLE IF EXISTS batch_row"),
    8: _run("ALTER TABLE seen RENAME TO measurement"),
    9: lambda conn: _add_column(conn, "side_count", "marks", "TEXT NOT NULL DEFAULT ''"),
}
LATEST = max(STEPS, default=FIRST)
RENAMED = {"seen": "measurement"}
"""Tables of earlier versions, and what they are called now."""


def read_version(conn: Connection, name: str) -> int:
    """Version of the database; 0 when it is empty.

    Parameters
    ----------
    conn : Connection
    name : str
        The database as the user knows it, for the message.

    Raises
    ------
    RecordError
        When it is some other program's database, or its version cannot be read.
    """
    names = inspect(conn).get_table_names()
    if not names:
        return 0
    if "meta" not in names:
        raise RecordError(f"{name}: not a fruitcount database (it has tables {sorted(names)[:5]})")
    rows = conn.execute(text("SELECT name, value FROM meta")).all()
    facts = {str(row[0]): str(row[1]) for row in rows}
    version = facts.get("version", "")
    if facts.get("kind") != KIND or not version.isdigit():
        raise RecordError(f"{name}: not a fruitcount database (meta says {facts!r})")
    return int(version)


def prepare(conn: Connection, name: str, steps: Mapping[int, Step] | None = None) -> int:
    """Make or upgrade the tables inside the caller's transaction.

    Parameters
    ----------
    conn : Connection
        In a writing transaction.
    name : str
        For messages.
    steps : mapping, optional
        Default :data:`STEPS`.

    Returns
    -------
    int
        The version it has now.

    Raises
    ------
    RecordError
        When the database is newer than this program, or lacks tables.
    """
    steps = STEPS if steps is None else steps
    latest = max(steps, default=FIRST)
    version = read_version(conn, name)
    if version > latest:
        raise RecordError(
            f"{name}: made by a newer fruitcount (records version {version}, this program knows "
            f"up to {latest}): install the newer program, nothing was changed"
        )
    if version == 0:
        Base.metadata.create_all(conn)
        put = text("INSERT INTO meta (name, value) VALUES (:name, :value)")
        conn.execute(put, [{"name": "kind", "value": KIND}])
        conn.execute(put, [{"name": "version", "value": str(latest)}])
        return latest
    for number in range(version + 1, latest + 1):
        steps[number](conn)
    if version < latest:
        put = text("UPDATE meta SET value = :value WHERE name = 'version'")
        conn.execute(put, {"value": str(latest)})
    if lost := Base.metadata.tables.keys() - set(inspect(conn).get_table_names()):
        raise RecordError(f"{name}: the database is damaged: it lacks the tables {sorted(lost)}")
    return latest
