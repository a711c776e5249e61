"""Requests drawn by chance: from the API's own description, over every page, and byte by byte."""

import json
from collections.abc import Callable, Mapping
from typing import Any, Final
from urllib.parse import quote, urlencode

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy

from haunt.site.asking import FIELD, HEADER
from haunt.site.rights import RIGHTS, Right, Role
from haunt.site.security import SAFE
from tests.fuzz.httphouse import Asked, Caller, FuzzHouse
from tests.fuzz.httplaw import MARK, too_much

FORM: Final = "application/x-www-form-urlencoded"
SLOW: Final = frozenset({"/keep/backups", "/keep/{backup}/try", "/keep/{backup}/restore"})
"""Each starts a process of its own: asked by those who may not, and seldom by others."""
NAMES: Final = (
    "keeper", "well", "gate", "gate-mat", "rules", "security", "cue", "2026-10-31", "1", "2", "3",
    "haunt.css", "0", "-1", "latest", "9223372036854775808", "-9223372036854775809", "0001-01-01",
    "9999-12-31", "1970-01-01",
)  # fmt: skip
ODD: Final = (
    "", " ", ".", "..", "../../etc/passwd", "%2e%2e%2f", "a/b", "a" * 300, "\x00", "\r\nx: y", MARK,
    "'; DROP TABLE people; --", "\u202e", "\ud83c\udf83", "9" * 30, "1e400", "NaN", "-0", "true",
    "{{7*7}}", "%s%n", "null", "\ufeff", "=1+1", "\x1b[2J",
)  # fmt: skip
TEXTS: Final = st.one_of(
    st.sampled_from(ODD),
    st.sampled_from(NAMES),
    st.text(max_size=40),
    st.integers(-(2**70), 2**70).map(str),
    st.floats().map(str),
)
SCALARS: Final = st.one_of(
    TEXTS,
    st.sampled_from(("\ud800", "gentle", "growl")),  # the first is half a letter
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(),
)
FIELDS: Final = (
    "name", "password", "old", "new", "code", "next", "role", "hours", "uses", "days", "theme",
    "behaviour", "hands_clear", "for_s", "cooldown_s", "phase", "until", "minutes", "by", "rotate",
    "hourly_cap", "priority", "patience_s", FIELD,
)  # fmt: skip
VALUES: Final = st.one_of(
    st.dictionaries(st.sampled_from(FIELDS), SCALARS, max_size=2),
    st.dictionaries(TEXTS, SCALARS, max_size=2),
    SCALARS,
)
QUERIES: Final = (
    "prop", "outcome", "reason", "since", "until", "after", "before", "limit", "page", "code",
    "next", "was_s", "weigh", "nights", "try_s",
)  # fmt: skip
TRICKS: Final = (
    "plain", "plain", "plain", "plain", "a foreign page", "a foreign host", "another encoding",
    "too much", "too much in pieces", "a nest", "a long number", "no length", "cut short",
)  # fmt: skip
NEST: Final = b'{"for_s":' + b"[" * 100_000
LONG: Final = b'{"for_s":' + b"9" * 5_000 + b"}"
ENCODINGS: Final = ("utf-16", "utf-32", "cp037", "latin-1", "utf-7")
TYPES: Final = (FORM, "application/json", "text/plain", "multipart/form-data; boundary=x", "x", "")


def composed(
    house: FuzzHouse,
    caller: Caller,
    method: str,
    target: str,
    *,
    body: bytes = b"",
    kind: str = "",
    trick: str = "plain",
    more: Mapping[str, str] | None = None,
) -> Asked:
    """Write a request down as a client of that caller would, but for the trick."""
    heads = {"connection": "close", **_shown(house, caller, trick)}
    if kind:
        heads["content-type"] = kind
    heads |= {name.lower(): value for name, value in (more or {}).items() if _is_plain(value)}
    if method not in SAFE and trick == "too much in pieces":
        body = b"x" * too_much()
    if trick in {"no length", "too much in pieces"} and body:
        heads["transfer-encoding"] = "chunked"
        body = b"%x\r\n%s\r\n0\r\n\r\n" % (len(body), body)
    elif body or method not in SAFE:
        is_claim = trick == "too much" and method not in SAFE
        heads["content-length"] = str(too_much() if is_claim else len(body))
    lines = [f"{method} {target} HTTP/1.1", *(f"{name}: {value}" for name, value in heads.items())]
    raw = "\r\n".join(lines).encode("latin-1", "replace") + b"\r\n\r\n" + body
    if trick == "cut short":
        raw, trick = raw[: len(raw) * 2 // 3], "raw: cut short"
    return Asked(method, target, raw, caller, trick)


def _shown(house: FuzzHouse, caller: Caller, trick: str) -> dict[str, str]:
    """What says who asks, and from where."""
    heads = {"host": "printer.example" if trick == "a foreign host" else house.host}
    if caller.bearer:
        heads["authorization"] = f"Bearer {caller.bearer}"
    if caller.cookie:
        heads["cookie"] = f"haunt-{house.server.port}={caller.cookie}"
    if caller.form_token:
        heads[HEADER] = caller.form_token
    if trick == "a foreign page":
        heads["origin"] = "http://else.example"
    elif not caller.is_program:
        heads["origin"] = f"http://{house.host}"
    return heads


def _is_plain(value: str) -> bool:
    return all(" " <= each <= "~" for each in value)


def _odd_body(trick: str, body: bytes, encoding: str) -> bytes:
    if trick == "a nest":
        return NEST
    if trick == "a long number":
        return LONG
    if trick == "another encoding":
        return body.decode("utf-8", "replace").encode(encoding, "replace")
    return body


def senders(house: FuzzHouse, least: Role, *, is_api: bool) -> SearchStrategy[Caller]:
    """Two of three may do it, so that what comes after the doors is reached as well."""
    may = [
        each
        for each in house.callers
        if each.role >= least and (is_api or not each.bearer) and is_itself(each)
    ]
    return st.one_of(st.sampled_from(may), st.sampled_from(may), st.sampled_from(house.callers))


def is_itself(caller: Caller) -> bool:
    """Whether a session comes with what only its own pages know."""
    return not caller.cookie or len(set(caller.form_token)) > 1


# --- over every route


@st.composite
def pressed(draw: DrawFn, house: FuzzHouse, rights: tuple[Right, ...] = RIGHTS) -> Asked:
    """A route of the table with anything in its path, its query and its form."""
    right = draw(st.sampled_from(rights))
    caller = draw(senders(house, right.least, is_api=right.path.startswith("/api/")))
    if right.path in SLOW and caller.role >= right.least:
        caller = house.callers[0]
    target = "/".join(_part(draw, each) for each in right.path.split("/"))
    query = draw(st.dictionaries(st.sampled_from(QUERIES), TEXTS, max_size=3))
    if query:
        target += f"?{urlencode(query, errors='replace')}"
    trick = draw(st.sampled_from(TRICKS))
    kind = _kind(draw, right)
    body = b""
    if right.method not in SAFE:
        body = _odd_body(trick, _form(draw, kind), draw(st.sampled_from(ENCODINGS)))
    method = draw(st.sampled_from([right.method] * 9 + ["PUT", "DELETE", "OPTIONS", "HEAD"]))
    return composed(house, caller, method, target, body=body, kind=kind, trick=trick)


def _part(draw: DrawFn, part: str) -> str:
    if not part.startswith("{") and "{" not in part:
        return part
    text = draw(TEXTS)
    start, _, rest = part.partition("{")
    return start + quote(text, safe="", errors="replace") + rest.partition("}")[2]


def _kind(draw: DrawFn, right: Right) -> str:
    if draw(st.integers(0, 3)) == 0:
        return draw(st.sampled_from(TYPES))
    return "application/json" if right.path.startswith("/api/") else FORM


def _form(draw: DrawFn, kind: str) -> bytes:
    if kind == "application/json":
        return json.dumps(draw(VALUES)).encode()
    fields = draw(st.dictionaries(st.sampled_from(FIELDS), TEXTS, max_size=5))
    if kind == FORM:
        return urlencode(fields, errors="replace").encode()
    if kind.startswith("multipart"):
        parts = [
            f'--x\r\ncontent-disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
            for name, value in fields.items()
        ]
        return "".join([*parts, "--x--\r\n"]).encode("utf-8", "replace")
    return draw(st.binary(max_size=200))


# --- from the description of the API


def described(house: FuzzHouse, strategy: SearchStrategy[Any]) -> SearchStrategy[Asked]:
    """Turn a case of schemathesis into a request of anybody, tricks included."""

    @st.composite
    def asked(draw: DrawFn) -> Asked:
        case, caller = draw(strategy), draw(senders(house, Role.OWNER, is_api=True))
        trick = draw(st.sampled_from(TRICKS))
        method, target, heads, body = written(case)
        body = _odd_body(trick, body, draw(st.sampled_from(ENCODINGS)))
        kind = heads.pop("content-type", "application/json" if body else "")
        return composed(
            house, caller, method, target, body=body, kind=kind, trick=trick, more=heads
        )

    return asked()


def written(case: Any) -> tuple[str, str, dict[str, str], bytes]:
    """Return method, target, headers and body of a case, by the library's own transport."""
    import requests  # noqa: PLC0415 - only the fuzz needs it

    kept = case.as_transport_kwargs(base_url="http://127.0.0.1")
    kept.pop("verify", None)
    heads = {str(name): str(value) for name, value in (kept.pop("headers", None) or {}).items()}
    fields = {key: kept.get(key) for key in ("params", "data", "json", "files", "cookies")}
    try:
        ready = requests.Request(kept["method"], kept["url"], **fields).prepare()
    except (requests.RequestException, UnicodeError, ValueError):
        return kept["method"].upper(), "/api/v1/props", {}, b""
    url = str(ready.url)
    body = ready.body if isinstance(ready.body, bytes) else str(ready.body or "").encode()
    kind = ready.headers.get("content-type")
    kinds = {"content-type": kind if isinstance(kind, str) else kind.decode()} if kind else {}
    plain = {
        name.lower(): value
        for name, value in heads.items()
        if name.lower() not in {"host", "content-length", "authorization", "user-agent"}
    }
    return str(ready.method), url.partition("127.0.0.1")[2] or "/", {**plain, **kinds}, body


# --- bytes


def grains(house: FuzzHouse) -> list[bytes]:
    """Well-formed requests to be mutated, and what is known to upset readers of HTTP."""
    owner = next(each for each in house.callers if each.bearer)
    lists: list[Callable[[], Asked]] = [
        lambda: composed(house, owner, "GET", "/api/v1/props"),
        lambda: composed(house, owner, "POST", "/api/v1/props/keeper/hold", body=b'{"for_s":5}'),
        lambda: composed(house, house.callers[0], "POST", "/sign-in", body=b"name=a", kind=FORM),
        lambda: composed(house, owner, "GET", "/log?since=2026-10-31T18:00:00Z"),
    ]
    host = house.host.encode()
    return [
        *(each().raw for each in lists),
        b"GET / HTTP/1.1\r\nHost: " + host + b"\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"POST / HTTP/1.1\r\nHost: " + host + b"\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\n",
        b"GET http://else.example/ HTTP/1.1\r\nHost: " + host + b"\r\n\r\n",
        b"GET / HTTP/1.0\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET /%ff%fe%00 HTTP/1.1\r\nHost: " + host + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: " + host + b"\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        b"Sec-WebSocket-Key: eA==\r\nSec-WebSocket-Version: 13\r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: " + host + b"\r\n" + b"x: y\r\n" * 2000 + b"\r\n",
        b"GET /" + b"a" * 70_000 + b" HTTP/1.1\r\nHost: " + host + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: " + host + b"\r\nExpect: 100-continue\r\n\r\n",
        b"POST /sign-in HTTP/1.1\r\nHost: " + host + b"\r\nOrigin: http://[\r\n\r\n",
    ]
