"""What a person may change of a property folder, each change as a function from the bytes of files to other bytes.

An edit carries what it was made on: the cells as they stood (`was`), or the fingerprint of the shape (`mark`). Where somebody else
has changed just that in the meantime, it is a `ConflictError` and nobody's change is lost; what was changed elsewhere in the same
file stays.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from meshplan.errors import InputError, MeshplanError
from meshplan.inputs.columns import match_headings
from meshplan.inputs.decimal_commas import NO_NUMBERS
from meshplan.inputs.settings_file import SETTINGS_FILE
from meshplan.inputs.site_columns import SITE_COLUMNS
from meshplan.inputs.vector import WGS84, point_mover
from meshplan.page.shape_text import (
    COORDINATE_DIGITS,
    Shapes,
    new_collection,
    shapes_of,
    with_feature,
    with_geometry,
    with_properties,
    without_feature,
)
from meshplan.page.table_text import Table, table_of, with_cells, with_row, without_row
from meshplan.page.toml_text import settings_document, with_key

Use = Literal["cover", "boundary", "search_ground"]

METRE_DIGITS: Final = 2
SITES_TABLE: Final = "sites.csv"
NEW_COLUMNS: Final = ("name", "role", "lat_deg", "lon_deg", "antenna_agl_m", "note")
"""Of a table of sites that is begun here; others come when they are first filled in."""
MOST_EDITS: Final = 2_000
"""Edits of one step; a drawing of many shapes is several steps."""

Reader = Callable[[str], bytes | None]
"""Gives a file of the folder by its name; None where there is none."""


class ConflictError(MeshplanError):
    """What an edit was made on was changed by somebody else in the meantime."""


class _Edit(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Place(_Edit):
    """A position in degrees of WGS 84."""

    lon_deg: float = Field(ge=-180, le=180)
    lat_deg: float = Field(ge=-90, le=90)


class SetSite(_Edit):
    """Change cells of a site, its name among them, or move it."""

    what: Literal["site.set"] = "site.set"
    file: str
    name: str
    values: dict[str, str | None] = {}
    place: Place | None = None
    was: dict[str, str] = {}
    """Cells as they stood when the edit was made, by column."""


class AddSite(_Edit):
    """Add a site as the last row of a table; without one that can be changed, a new one is made and named in property.toml."""

    what: Literal["site.add"] = "site.add"
    file: str | None = None
    values: dict[str, str | None]
    place: Place


class DropSite(_Edit):
    """Take a site out of its table."""

    what: Literal["site.drop"] = "site.drop"
    file: str
    name: str
    was: dict[str, str] = {}


class SetShape(_Edit):
    """Change properties of a shape; None takes one out."""

    what: Literal["shape.set"] = "shape.set"
    file: str
    feature: int
    mark: str
    values: dict[str, str | float | int | bool | list[float] | None]


class DrawShape(_Edit):
    """Give a shape another outline."""

    what: Literal["shape.draw"] = "shape.draw"
    file: str
    feature: int
    mark: str
    geometry: dict[str, Any]


class AddShape(_Edit):
    """Draw a new shape; without a file that can be changed, a new one is made and named in property.toml."""

    what: Literal["shape.add"] = "shape.add"
    use: Use
    file: str | None = None
    values: dict[str, str | float | int | bool | list[float] | None] = {}
    geometry: dict[str, Any]


class DropShape(_Edit):
    """Take a shape out; a file that would hold none is taken away."""

    what: Literal["shape.drop"] = "shape.drop"
    use: Use
    file: str
    feature: int
    mark: str


class SetKey(_Edit):
    """Set a key of property.toml; None takes it out."""

    what: Literal["key.set"] = "key.set"
    key: str = Field(pattern=r"^[a-z0-9_]+(\.[a-z0-9_]+)*$")
    value: Any = None
    was: Any = None
    """What the file said; None where it said nothing."""


Edit = Annotated[
    SetSite | AddSite | DropSite | SetShape | DrawShape | AddShape | DropShape | SetKey,
    Field(discriminator="what"),
]
_EDITS: Final[TypeAdapter[list[Edit]]] = TypeAdapter(Annotated[list[Edit], Field(min_length=1, max_length=MOST_EDITS)])


def edits_from(data: object) -> list[Edit]:
    """Return edits from what a message holds, or say what is wrong with it."""
    try:
        return _EDITS.validate_python(data)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise InputError(f"this is no change of the folder ({first['msg']})", where=where, fix="Load the page again.") from error


@dataclass
class Files:
    """The files of a folder as edits change them; nothing is written here."""

    read: Reader
    crs: str | None
    """Projection of positions in metres."""
    sites: tuple[str, ...] = ()
    """Files of sites that are read."""
    changed: dict[str, bytes | None] = field(default_factory=dict)
    """New bytes by name; None where the file goes."""

    def get(self, name: str) -> bytes | None:
        """Return a file as it now is."""
        return self.changed[name] if name in self.changed else self.read(name)

    def must(self, name: str) -> bytes:
        """Return a file that has to be there."""
        content = self.get(name)
        if content is None:
            raise ConflictError("the file is gone", where=name, fix="Look at the folder; somebody took it away.")
        return content


def apply_edits(files: Files, edits: Sequence[Edit]) -> dict[str, bytes | None]:
    """Return the files that edits change, with their new bytes.

    Raises
    ------
    MeshplanError
        Where an edit cannot be made; then none is.
    """
    for edit in edits:
        match edit:
            case AddSite(file=None):
                _add_to_own_table(files, edit)
            case SetSite() | AddSite() | DropSite():
                assert edit.file is not None
                files.changed[edit.file] = _with_site(files, edit, edit.file)
            case SetShape() | DrawShape():
                shapes, place = _shape(files, edit.file, edit.feature, edit.mark)
                written = (
                    with_properties(shapes, place, edit.values)
                    if isinstance(edit, SetShape)
                    else with_geometry(shapes, place, edit.geometry)
                )
                files.changed[edit.file] = written
            case AddShape():
                _add_shape(files, edit)
            case DropShape():
                _drop_shape(files, edit)
            case SetKey():
                _set_key(files, edit)
    return {name: content for name, content in files.changed.items() if content != files.read(name)}


def made_anyway(files: Files, edits: Sequence[Edit]) -> list[Edit]:
    """Return edits that are made on what there is now, whatever they were made on: mine over theirs.

    Raises
    ------
    ConflictError
        Where what an edit changes is not there any more.
    """
    found: list[Edit] = []
    for edit in edits:
        match edit:
            case SetSite() | DropSite():
                found.append(edit.model_copy(update={"was": {}}))
            case SetShape() | DrawShape() | DropShape():
                shapes = shapes_of(files.must(edit.file), edit.file)
                marks = [shapes.mark_of(place) for place in range(len(shapes.features))]
                if edit.mark not in marks and not 1 <= edit.feature <= len(marks):
                    where, fix = f"{edit.file}, feature {edit.feature}", "Draw it again."
                    raise ConflictError("this shape is not there any more", where=where, fix=fix)
                found.append(edit if edit.mark in marks else edit.model_copy(update={"mark": marks[edit.feature - 1]}))
            case SetKey():
                found.append(edit.model_copy(update={"was": _value_of(files.must(SETTINGS_FILE), edit.key)}))
            case _:
                found.append(edit)
    return found


def _value_of(content: bytes, key: str) -> Any:
    now: Any = settings_document(content)
    for part in key.split("."):
        now = now.get(part) if isinstance(now, Mapping) else None
    return now


def column_of(table: Table, shown: str) -> dict[str, str]:
    """Return the columns of a table of sites with the headings that they stand under."""
    headings = match_headings(table.headings(), SITE_COLUMNS, shown)
    return {column: heading for heading, column in headings.columns.items()}


def cells_of(table: Table, row: int, headings: Mapping[str, str]) -> dict[str, str]:
    """Return the cells of a row by column; those that the row is too short for are empty."""
    values = dict(zip(table.headings(), (cell.value for cell in table.rows[row].cells), strict=False))
    return {column: values.get(heading, "") for column, heading in headings.items()}


def plain_name(name: str) -> str:
    """Return a name as the reader takes it."""
    return " ".join(name.split())


def _with_site(files: Files, edit: SetSite | AddSite | DropSite, file: str) -> bytes:
    table = table_of(files.must(file), file)
    headings = column_of(table, file)
    if isinstance(edit, AddSite):
        values = {**edit.values, **_placed(edit.place, headings, files.crs, file)}
        return with_row(table, _by_heading(table, headings, values), file)
    row = _row_named(table, headings, edit.name, file)
    cells = cells_of(table, row, headings)
    for column, was in edit.was.items():
        if cells.get(column, "") != was:
            raise ConflictError(
                f"'{edit.name}' was changed by somebody else: {column} is '{cells.get(column, '')}' now, it was '{was}'",
                where=f"{file}, row {row + 1}, column '{column}'",
                fix="Take theirs, or make your change again on what is there now.",
            )
    if isinstance(edit, DropSite):
        return without_row(table, row, file)
    values = dict(edit.values)
    if edit.place is not None:
        values |= _placed(edit.place, headings, files.crs, file)
    return with_cells(table, row, _by_heading(table, headings, values), file)


def _add_to_own_table(files: Files, edit: AddSite) -> None:
    """Add a site to a table that begins with it."""
    named = _named_files(files, "sites")
    name = next(name for name in _free_names("sites", ".csv") if name not in (named or ()) and files.get(name) is None)
    files.changed[name] = new_sites_table()
    files.changed[name] = _with_site(files, edit, name)
    beside = files.sites if named is None else named
    if beside or name != SITES_TABLE:
        _name_files(files, "sites", [*beside, name])


def new_sites_table() -> bytes:
    """Return a table of sites with the usual columns and no row."""
    return (",".join(NEW_COLUMNS) + "\n").encode("ascii")


def _row_named(table: Table, headings: Mapping[str, str], name: str, shown: str) -> int:
    rows = [row for row in table.told[1:] if plain_name(cells_of(table, row, headings).get("name", "")) == plain_name(name)]
    if len(rows) != 1:
        problem = f"'{name}' is not there any more" if not rows else f"the name '{name}' stands there more than once"
        raise ConflictError(problem, where=shown, fix="Look at the file; somebody changed it.")
    return rows[0]


def _by_heading(table: Table, headings: Mapping[str, str], values: Mapping[str, str | None]) -> dict[str, str]:
    known = {column.name for column in SITE_COLUMNS}
    unknown = [name for name in values if name not in known]
    if unknown:
        raise InputError(f"'{unknown[0]}' is no column of a sites file", where="change of a site", fix="Load the page again.")
    return {
        headings.get(column, column): _with_comma(table, headings.get(column), column, value or "")
        for column, value in values.items()
        if value or column in headings
    }


def _with_comma(table: Table, heading: str | None, column: str, value: str) -> str:
    """Write a number as the other cells of its column do: with a comma where those have one and none has a point."""
    if table.mark == "," or column in NO_NUMBERS or heading is None or value.count(".") != 1:
        return value
    place = table.headings().index(heading)
    others = [table.rows[row].cells[place].value for row in table.told[1:] if place < len(table.rows[row].cells)]
    if not value.replace(".", "").lstrip("+-").isdigit() or any("." in other for other in others):
        return value
    return value.replace(".", ",") if any("," in other for other in others) else value


def _placed(place: Place, headings: Mapping[str, str], crs: str | None, shown: str) -> dict[str, str]:
    """Return the cells that say a position: in degrees, or in metres where the table has only those."""
    if {"lon_deg", "lat_deg"} <= set(headings) or not {"x_m", "y_m"} <= set(headings):
        return {"lon_deg": f"{place.lon_deg:.{COORDINATE_DIGITS}f}", "lat_deg": f"{place.lat_deg:.{COORDINATE_DIGITS}f}"}
    if crs is None:
        fix = 'Write crs = "EPSG:…" in property.toml.'
        raise InputError("positions are in metres, and nothing says in which projection", where=shown, fix=fix)
    x_m, y_m = point_mover(WGS84, crs)(place.lon_deg, place.lat_deg)
    return {"x_m": f"{float(x_m):.{METRE_DIGITS}f}", "y_m": f"{float(y_m):.{METRE_DIGITS}f}"}


def _shape(files: Files, name: str, feature: int, mark: str) -> tuple[Shapes, int]:
    """Return the shapes of a file and the place of the one with a fingerprint, wherever in the file it now stands."""
    shapes = shapes_of(files.must(name), name)
    alike = [place for place in range(len(shapes.features)) if shapes.mark_of(place) == mark]
    place = feature - 1
    if place in alike:
        return shapes, place
    if len(alike) == 1:
        return shapes, alike[0]
    raise ConflictError(
        "this shape was changed by somebody else",
        where=f"{name}, feature {feature}",
        fix="Take theirs, or make your change again on what is there now.",
    )


def _named_files(files: Files, use: str) -> list[str] | None:
    """Return the files that property.toml names for a purpose; None where it has no such key."""
    content = files.get(SETTINGS_FILE)
    named = settings_document(content).get(use) if content is not None else None
    if named is None:
        return None
    return [named] if isinstance(named, str) else [str(name) for name in named]


def _name_files(files: Files, use: str, names: Sequence[str]) -> None:
    value = None if not names else names[0] if len(names) == 1 else list(names)
    files.changed[SETTINGS_FILE] = with_key(files.must(SETTINGS_FILE), use, value)


def _add_shape(files: Files, edit: AddShape) -> None:
    if edit.file is not None and (content := files.get(edit.file)) is not None:
        files.changed[edit.file] = with_feature(shapes_of(content, edit.file), edit.values, edit.geometry)
        return
    name = next(name for name in _free_names(edit.use, ".geojson") if files.get(name) is None)
    files.changed[name] = new_collection(edit.values, edit.geometry)
    named = _named_files(files, edit.use)
    beside = [] if named is None else named
    if named is None or name not in beside:
        _name_files(files, edit.use, [*beside, name])


def _free_names(stem: str, ending: str) -> list[str]:
    return [f"{stem}{ending}", *(f"{stem}-{number}{ending}" for number in range(2, 100))]


def _drop_shape(files: Files, edit: DropShape) -> None:
    shapes, place = _shape(files, edit.file, edit.feature, edit.mark)
    if len(shapes.features) > 1:
        files.changed[edit.file] = without_feature(shapes, place)
        return
    files.changed[edit.file] = None
    named = _named_files(files, edit.use)
    if named is not None and edit.file in named:
        _name_files(files, edit.use, [name for name in named if name != edit.file])


def _set_key(files: Files, edit: SetKey) -> None:
    content = files.must(SETTINGS_FILE)
    now = _value_of(content, edit.key)
    if now not in (edit.was, edit.value):
        raise ConflictError(
            f"was changed by somebody else: it is {now!r} now",
            where=f"{SETTINGS_FILE}, key '{edit.key}'",
            fix="Take theirs, or make your change again on what is there now.",
        )
    files.changed[SETTINGS_FILE] = with_key(content, edit.key, edit.value)
