"""`property.toml`: what it may say, and what a person reads when it is wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from meshplan.errors import FaultList, InputError, MeshplanError, MissingFileError
from meshplan.inputs.settings_file import describe_settings, read_settings, settings_from
from meshplan.settings import AntennaSettings, CostSettings, PropertySettings, RadioSettings, RequirementSettings, TerrainSettings


def read(tmp_path: Path, content: str, **overrides: Any) -> PropertySettings:
    (tmp_path / "property.toml").write_text(content, encoding="utf-8")
    return read_settings(tmp_path, overrides)


def message(tmp_path: Path, content: str, overrides: dict[str, Any] | None = None) -> str:
    (tmp_path / "property.toml").write_text(content, encoding="utf-8")
    with pytest.raises(MeshplanError) as caught:
        read_settings(tmp_path, overrides)
    return str(caught.value)


def test_one_line_is_enough(tmp_path: Path) -> None:
    assert read(tmp_path, 'name = "Farm"\n') == PropertySettings(name="Farm")


def test_a_name_stands_in_one_line_whatever_its_script(tmp_path: Path) -> None:
    assert read(tmp_path, 'name = " Łąka \\n  Колодец   Πηγή खेत "\n').name == "Łąka Колодец Πηγή खेत"


def test_single_texts_stand_for_lists_and_rasters(tmp_path: Path) -> None:
    found = read(tmp_path, 'name = "F"\nsites = "a.csv"\nelevation = "g.tif"\nseasons = "august"\n')
    assert (found.sites, found.seasons) == (("a.csv",), ("august",))
    assert [(raster.file, raster.holds, raster.unit) for raster in found.elevation] == [("g.tif", "ground", "m")]


def test_overrides_win_nested_or_dotted(tmp_path: Path) -> None:
    content = 'name = "F"\n[terrain]\ncell_m = 5\nk_factor = 1.2\n'
    (tmp_path / "property.toml").write_text(content)
    found = read_settings(tmp_path, {"terrain": {"cell_m": 2}, "requirement.hop_limit": 2, "country": "europe"})
    assert (found.terrain.cell_m, found.terrain.k_factor) == (2.0, 1.2)
    assert (found.requirement.hop_limit, found.country) == (2, "europe")


MESSAGES = [
    (
        'name = "F"\ncontry = "europe"\n',
        "property.toml, key 'contry': this key is not known. Did you mean 'country'?\n"
        f"  Known keys: {', '.join(PropertySettings.model_fields)}.",
    ),
    ("", "property.toml, key 'name': is missing\n  Add it: Name of the property, shown on map and sheets."),
    ('name = ""\n', "property.toml, key 'name': is empty\n  Give it: Name of the property, shown on map and sheets."),
    ('name = "  "\n', "property.toml, key 'name': is empty\n  Give it: Name of the property, shown on map and sheets."),
    *(
        (
            f'name = "Farm {escape}gnp.exe"\n',
            "property.toml, key 'name': holds characters that cannot be printed\n  Write plain text.",
        )
        for escape in (r"\u202e", r"\u2067", r"\u0007", r"\u200b")
    ),
    (
        "name = 7\n",
        "property.toml, key 'name': 7 is not text\n"
        "  Write text between quotation marks. Name of the property, shown on map and sheets.",
    ),
    (
        'name = "F"\n[terrain]\ncell_m = -1\n',
        "property.toml, key 'terrain.cell_m': -1 is too small\n  Allowed: more than 0 and at most 1000.",
    ),
    (
        'name = "F"\n[terrain]\ncell_m = "2,5"\n',
        "property.toml, key 'terrain.cell_m': '2,5' is not a number\n  Write 2.5 with a decimal point.",
    ),
    (
        'name = "F"\n[terrain]\ncell_m = "6 ft"\n',
        "property.toml, key 'terrain.cell_m': '6 ft' is not in metres\n  Write 1.83, the same length in metres.",
    ),
    (
        'name = "F"\n[terrain]\ngroundd = "average"\n',
        "property.toml, key 'terrain.groundd': this key is not known. Did you mean 'ground'?\n"
        f"  Known keys in [terrain]: {', '.join(TerrainSettings.model_fields)}.",
    ),
    (
        'name = "F"\n[antenna]\npolarisation = "vertcal"\n',
        "property.toml, key 'antenna.polarisation': 'vertcal' is not known. Did you mean 'vertical'?\n"
        '  Allowed: "vertical", "horizontal".',
    ),
    (
        'name = "F"\n[requirement]\nhop_limit = 2.5\n',
        "property.toml, key 'requirement.hop_limit': 2.5 is not a whole number\n  Allowed: 1 to 8.",
    ),
    (
        'name = "F"\n[requirement]\nhop_limit = 20\n',
        "property.toml, key 'requirement.hop_limit': 20 is too large\n  Allowed: 1 to 8.",
    ),
    (
        'name = "F"\nterrain = 5\n',
        "property.toml, key 'terrain': 5 is not a table\n  Write [terrain] with one key on each line below.",
    ),
    (
        'name = "F"\nseasons = 3\n',
        "property.toml, key 'seasons': 3 is neither text nor a list\n"
        '  It means: Seasons to plan for: bare, leaf, wet, snow, or a month such as "august".',
    ),
    (
        'name = "F"\n[[elevation]]\nfile = "g.tif"\n[[elevation]]\nfile = "h.tif"\nunit = "feet"\n',
        "property.toml, key 'elevation[2].unit': 'feet' is not known. Did you mean 'ft'?\n  Allowed: \"m\", \"ft\", \"us-ft\".",
    ),
    (
        'name = "F"\nradio = fsk\n',
        "property.toml, line 2: cannot be read (invalid value)\n"
        '  Write key = value, text between quotation marks: name = "My farm".',
    ),
    (
        'name = "F"\nname = "G"\n',
        "property.toml, line 2: cannot be read (cannot overwrite a value)\n"
        '  Write key = value, text between quotation marks: name = "My farm".',
    ),
]


@pytest.mark.parametrize(("content", "words"), MESSAGES)
def test_a_wrong_setting_is_told_with_its_remedy(tmp_path: Path, content: str, words: str) -> None:
    assert message(tmp_path, content) == words


def test_an_option_is_called_an_option(tmp_path: Path) -> None:
    assert message(tmp_path, 'name = "F"\n', {"terrain.cell_m": "abc"}) == (
        "option 'terrain.cell_m': 'abc' is not a number\n  Write a number in m."
    )


def test_all_faults_come_together(tmp_path: Path) -> None:
    (tmp_path / "property.toml").write_text('contry = "x"\n[terrain]\ncell_m = -1\nmargin = 5\n')
    with pytest.raises(FaultList) as caught:
        read_settings(tmp_path)
    assert sorted(fault.where for fault in caught.value.faults) == [
        "property.toml, key 'contry'",
        "property.toml, key 'name'",
        "property.toml, key 'terrain.cell_m'",
        "property.toml, key 'terrain.margin'",
    ]


def test_a_missing_folder_or_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError) as caught:
        read_settings(tmp_path)
    assert str(caught.value) == (
        f'{tmp_path}: there is no property.toml\n  Write a text file property.toml with at least the line: name = "My farm"'
    )
    with pytest.raises(MissingFileError) as caught:
        read_settings(tmp_path / "nowhere")
    assert str(caught.value) == f"{tmp_path / 'nowhere'}: there is no such folder\n  Name the folder that holds property.toml."
    file = tmp_path / "x.toml"
    file.write_text("")
    with pytest.raises(InputError) as wrong:
        read_settings(file)
    assert str(wrong.value) == f"{file}: is no folder\n  Name the folder that holds property.toml."


def test_a_byte_order_mark_is_no_fault_and_other_letters_are(tmp_path: Path) -> None:
    path = tmp_path / "property.toml"
    path.write_bytes('name = "Hof Süd"\n'.encode("utf-8-sig"))
    assert read_settings(tmp_path).name == "Hof Süd"
    path.write_bytes('name = "Hof Süd"\n'.encode("cp1252"))
    with pytest.raises(InputError) as caught:
        read_settings(tmp_path)
    assert str(caught.value) == "property.toml: is not UTF-8 text\n  Save it as UTF-8 in your editor."


@pytest.mark.parametrize(
    "model", [PropertySettings, TerrainSettings, AntennaSettings, RequirementSettings, CostSettings, RadioSettings]
)
def test_every_key_is_in_the_manual_with_its_meaning(model: type[BaseModel]) -> None:
    manual = describe_settings()
    for name, field in model.model_fields.items():
        assert name in manual
        assert field.description, f"{name} has no meaning"
        assert " ".join(field.description.split())[:40] in manual


def test_the_manual_says_defaults_and_ranges() -> None:
    manual = describe_settings()
    assert "name — required\n" in manual
    assert "terrain.cell_m — optional\n" in manual
    assert "    Allowed: more than 0 and at most 1000\n" in manual
    assert 'antenna.polarisation — default: "vertical"\n' in manual


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@given(document=st.dictionaries(st.sampled_from([*PropertySettings.model_fields, "x"]), json_like, max_size=4))
@settings(max_examples=200, deadline=None)
def test_any_document_is_read_or_told_in_our_words(document: dict[str, Any]) -> None:
    try:
        settings_from(document)
    except MeshplanError as error:
        faults = error.faults if isinstance(error, FaultList) else (error,)
        for fault in faults:
            assert fault.where.startswith("property.toml, key '")
            assert fault.problem
            assert fault.fix
