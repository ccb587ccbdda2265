"""Messages between page and server: JSON with a version, faults with their place."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from meshplan.errors import InputError, MeshplanError
from meshplan.page.contents import faults_as_data
from meshplan.page.edits import ConflictError

VERSION: Final = 1
"""Of the messages between page and server."""
LONGEST_WORDS: Final = 200


async def message_of(request: Request) -> dict[str, Any]:
    """Return the message of a request, or say that it is none."""
    try:
        data = json.loads(await request.body())
    except (ValueError, RecursionError, ClientDisconnect) as error:
        raise InputError("is no JSON", where="message", fix="Load the page again.") from error
    if not isinstance(data, dict) or data.get("v") != VERSION:
        raise InputError(f"is no message of version {VERSION}", where="message", fix="Load the page again.")
    return data


def words_of(data: dict[str, Any]) -> str:
    """Return the words of a step."""
    words = data.get("words", "")
    if not isinstance(words, str) or len(words) > LONGEST_WORDS:
        raise InputError("the words of a step are too long", where="message", fix="Load the page again.")
    return words


def refused(fault: MeshplanError, *, choices: Sequence[str] = ("theirs",)) -> Response:
    """Return a fault as an answer: 422, or 409 where somebody else was first, with the files and what can be done."""
    faults = faults_as_data(fault)
    if not isinstance(fault, ConflictError):
        return JSONResponse({"v": VERSION, "faults": faults}, 422)
    changed = sorted({one["file"] for one in faults if one["file"]})
    return JSONResponse({"v": VERSION, "faults": faults, "changed": changed, "choices": list(choices)}, 409)


async def said(_: Request, fault: Exception) -> Response:
    """Handle a fault that nobody caught."""
    assert isinstance(fault, MeshplanError)
    return refused(fault)


def answer(data: dict[str, Any]) -> Response:
    """Return data as an answer."""
    text = json.dumps({"v": VERSION, **data}, ensure_ascii=False, allow_nan=False, default=str)
    return Response(text, media_type="application/json")
