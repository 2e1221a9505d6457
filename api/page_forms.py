"""What the forms of pages share: reading them, the way back, and the name a browser keeps.

The name is no identity and opens nothing: it is written beside what a person does, as they gave it.
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import parse_qs, parse_qsl, quote, unquote, urlencode, urlsplit

from coilbook.api.problems import ProblemError
from coilbook.api.routes.bodies import media_type
from fastapi import Request
from fastapi.responses import RedirectResponse, Response

FORM = "application/x-www-form-urlencoded"
MOST_BYTES = 256_000
MOST_FIELDS = 1000
WHO = "who"
NAME_LENGTH = 80
YEAR_S = 365 * 86400


class Form:
    """The fields of a form as sent."""

    def __init__(self, fields: Mapping[str, list[str]]) -> None:
        self._fields = fields

    def get(self, name: str, otherwise: str = "") -> str:
        """The first value of a field."""
        return self._fields.get(name, [otherwise])[0]

    def all(self, name: str) -> list[str]:
        """Every value of a field."""
        return list(self._fields.get(name, []))

    def whole(self, name: str) -> int:
        """A whole number of at least 0; `ProblemError` 422 for anything else."""
        return whole_number(self.get(name), name)

    def first_values(self) -> dict[str, str]:
        """Each field with its first value."""
        return {name: values[0] for name, values in self._fields.items()}


def whole_number(text: str, name: str) -> int:
    """A whole number from 0 to 2^63 - 1; `ProblemError` 422 for anything else."""
    if not (text.isascii() and text.isdigit() and len(text) < 20 and int(text) < 2**63):
        raise ProblemError(422, f"field {name!r}: expected a whole number")
    return int(text)


async def read_form(request: Request) -> Form:
    """The fields of a plain form. `ProblemError` 413, 415 or 422 for a body that is none."""
    if media_type(request) != FORM:
        raise ProblemError(415, f"expected a body of type {FORM}", {"Accept": FORM})
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BYTES:
            raise ProblemError(413, f"a form may hold {MOST_BYTES} bytes")
    try:
        fields = parse_qs(
            body.decode("ascii"), keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict"
        )
    except ValueError as exc:
        raise ProblemError(422, f"the form cannot be read: {exc}") from exc
    return Form(fields)


def way_back(asked: str, otherwise: str = "/", **more: str) -> str:
    """An address of this server to go back to, with `more` in its query; `otherwise` for any other."""
    parts = urlsplit(asked) if _is_local(asked) else urlsplit(otherwise)
    told = dict(parse_qsl(parts.query)) | more
    query = f"?{urlencode(told)}" if told else ""
    return f"{parts.path}{query}{'#' + parts.fragment if parts.fragment else ''}"


def see_other(address: str) -> Response:
    """Go on to `address` with GET (RFC 9110, 15.4.4)."""
    return RedirectResponse(address, 303)


def who_of(request: Request) -> str:
    """The name that this browser keeps; '' where it keeps none."""
    try:
        name = unquote(request.cookies.get(WHO, ""), errors="strict")
    except ValueError:
        return ""
    return tidy_name(name)


def keep_who(response: Response, name: str) -> None:
    """Have the browser keep `name`, or forget the one it kept."""
    if name:
        response.set_cookie(WHO, quote(name, safe=""), max_age=YEAR_S, httponly=True, samesite="strict")
    else:
        response.delete_cookie(WHO, httponly=True, samesite="strict")


def tidy_name(name: str) -> str:
    """A name in one line, `NAME_LENGTH` letters at most."""
    return " ".join("".join(c if c.isprintable() else " " for c in name).split())[:NAME_LENGTH].strip()


def _is_local(address: str) -> bool:
    printable = all(" " < c < "\x7f" for c in address)
    return printable and address.startswith("/") and not address.startswith("//") and "\\" not in address
