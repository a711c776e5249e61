"""What a request says about who asks: the caller the gate found, their address, their browser."""

import secrets
from contextvars import ContextVar
from typing import Annotated, Final

from fastapi import Form, Request, Response
from starlette.types import Scope

from haunt.site.doors import Caller
from haunt.site.entrance import Device

CALLER, RESULT, WHO, ABOUT = "haunt.caller", "haunt.result", "haunt.who", "haunt.about"
FIELD, HEADER = "form_token", "x-form-token"
TOKEN_BYTES: Final = 32
COOKIE_S: Final = 60 * 86_400
YEAR_S: Final = 31_536_000
NAMES_MAX: Final = 64
SYSTEMS: Final = ("iPhone", "iPad", "Android", "Windows", "Macintosh", "Linux")
BROWSERS: Final = {"Firefox/": "Firefox", "Edg/": "Edge", "Chrome/": "Chrome", "Safari/": "Safari"}

Secret = Annotated[str, Form(max_length=1024)]
Seconds = Annotated[float, Form(ge=0, le=3600, allow_inf_nan=False)]

_form_token: ContextVar[str] = ContextVar("form_token", default="")


def caller_of(request: Request) -> Caller | None:
    found: Caller | None = request.scope.get(CALLER)
    return found


def inside(request: Request) -> Caller:
    """The caller of a route that asks for one; the gate has seen to it."""
    found = caller_of(request)
    assert found is not None, "the gate lets nobody in here"
    return found


def by(request: Request) -> str:
    """The name that pages and the journal show for what is done now."""
    return inside(request).by


def told(request: Request, result: str = "", *, who: str = "", about: str = "") -> None:
    """Say for the logbook what status and path alone do not tell."""
    for key, words in ((RESULT, result), (WHO, who), (ABOUT, about)):
        if words:
            request.scope[key] = words


def told_refused(request: Request, why: object) -> None:
    told(request, f"refused: {why}")


def address_of(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0])[:NAMES_MAX] if client else ""


def device_of(request: Request) -> Device:
    words = request.headers.get("user-agent", "")
    system = next((each for each in SYSTEMS if each in words), "")
    browser = next((name for mark, name in BROWSERS.items() if mark in words), "")
    kind = " on ".join(each for each in (browser, system) if each) or "unknown device"
    return Device(address_of(request.scope), kind, request.cookies.get(cookie_name(request), ""))


def own_path(text: str, other: str = "/") -> str:
    """Return a path of this site to go to, whatever was asked: never somebody else's."""
    is_plain = text.isascii() and text.isprintable() and "\\" not in text
    return text if is_plain and text.startswith("/") and not text.startswith("//") else other


# --- the cookies


def keep_choice(request: Request, response: Response, name: str, value: str) -> None:
    """Let this browser remember how a person likes to see things."""
    response.set_cookie(
        name,
        value,
        max_age=YEAR_S,
        samesite="strict",
        httponly=True,
        secure=request.url.scheme == "https",
    )


def cookie_name(request: Request) -> str:
    """With the port, for cookies of one machine know none: two servers must not share one."""
    server = request.scope.get("server")
    name = f"haunt-{server[1] if server else 0}"
    return f"__Host-{name}" if request.scope["scheme"] == "https" else name


def remember(request: Request, response: Response, secret: str) -> None:
    response.set_cookie(
        cookie_name(request),
        secret,
        max_age=COOKIE_S,
        httponly=True,
        samesite="lax",
        secure=request.scope["scheme"] == "https",
    )


def forget(request: Request, response: Response) -> None:
    response.delete_cookie(
        cookie_name(request),
        httponly=True,
        samesite="lax",
        secure=request.scope["scheme"] == "https",
    )


# --- the form token


def set_form_token(token: str) -> None:
    """For templates that are drawn in this request."""
    _form_token.set(masked(token) if token else "")


def masked(token: str) -> str:
    """Write it differently in every answer: a page is compressed, and its length could tell.

    What repeats a secret that is the same each time can be guessed from the lengths of many
    answers to chosen questions, TLS or not (BREACH); a one-time pad and what it hides cannot.
    """
    raw = bytes.fromhex(token)
    pad = secrets.token_bytes(len(raw))
    return (pad + _apart(pad, raw)).hex()


def unmasked(sent: bytes) -> bytes:
    """Return the token that was masked; anything else as it is."""
    try:
        both = bytes.fromhex(sent.decode("ascii"))
    except ValueError:
        return sent
    half = len(both) // 2
    is_masked = len(both) == 2 * TOKEN_BYTES
    return _apart(both[:half], both[half:]).hex().encode() if is_masked else sent


def _apart(one: bytes, other: bytes) -> bytes:
    return bytes(a ^ b for a, b in zip(one, other, strict=True))


def form_token() -> str:
    """Empty in parts that are drawn for all phones alike; htmx sends a header instead."""
    return _form_token.get()
