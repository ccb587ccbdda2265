"""Pictures of the map from the network: off until somebody names an address, for this run alone, and then from that one origin.

The address is not kept in the folder: whoever opens a folder that came from others would ask a stranger's server for the land of
the property. The browser asks; this program asks nobody.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from meshplan.errors import InputError

_ADDRESS: Final = re.compile(
    r"(?P<origin>https://(?P<host>[a-z0-9](?:[a-z0-9-]*[a-z0-9])?(?:\.[a-z0-9](?:[a-z0-9-]*[a-z0-9])?)+)(?::[0-9]{1,5})?)"
    r"/(?P<path>[A-Za-z0-9._~%/{}@+=&?:!-]*)"
)
_MARKS: Final = ("{x}", "{y}", "{z}")


class _Wish(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    address: str = Field(max_length=500)
    credit: str = Field(max_length=300)


@dataclass(frozen=True)
class Tiles:
    """Where tiles come from, and who is named for them."""

    address: str
    origin: str
    host: str
    credit: str

    def as_data(self) -> dict[str, str]:
        """Return what the page is told."""
        return {"address": self.address, "host": self.host, "credit": self.credit}


def tiles_from(data: dict[str, Any]) -> Tiles | None:
    """Return the tiles that a message asks for; None where it switches them off.

    Raises
    ------
    InputError
        An address that is none, or nobody to be named.
    """
    if data.get("address") is None:
        return None
    try:
        wish = _Wish.model_validate(data)
    except ValidationError as error:
        raise InputError("is no address of tiles", where="tiles", fix="Write an address and whom to name.") from error
    found = _ADDRESS.fullmatch(wish.address.strip())
    if found is None:
        fix = "Write it like https://tiles.example/{z}/{x}/{y}.png, without a name or password."
        raise InputError("is no address that can be asked for tiles", where="tiles, address", fix=fix)
    missing = [mark for mark in _MARKS if wish.address.count(mark) != 1]
    left = re.sub(r"\{[xyz]\}", "", found["path"])
    if missing or "{" in left or "}" in left:
        fix = "Write {z}, {x} and {y} once each where the numbers of a tile stand."
        raise InputError("does not say where the numbers of a tile stand", where="tiles, address", fix=fix)
    credit = " ".join(wish.credit.split())
    if not credit or not credit.isprintable():
        fix = "Write whom the maker of the tiles wants named beside the map."
        raise InputError("names nobody", where="tiles, credit", fix=fix)
    return Tiles(wish.address.strip(), found["origin"], found["host"], credit)
