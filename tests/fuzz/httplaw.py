"""What holds for every answer, whatever was asked: judged without looking into the server."""

import re
from typing import Final
from urllib.parse import unquote

from haunt.site.rights import Found, Role, find
from haunt.site.security import BODY_MAX, HEADERS, SAFE
from tests.fuzz.httphouse import Answer, Asked, Caller, FuzzHouse

MARK: Final = "<img src=x onerror=q9>"
SLOW_S: Final = 6.0
BEARER: Final = ("/api/", "/metrics", "/stream", "/readyz", "/healthz")
TRACES: Final = re.compile(
    rb'Traceback \(most recent|File "[^"]*\.py"|haunt\.(site|store|live|bootstrap|mqtt)\.'
    rb"|sqlalchemy|sqlite3\.|pydantic_core|\$argon2|\$7\$101\$"
)
BUSY: Final = frozenset({"/sign-in", "/set-up", "/join", "/link", "/account/password"})
"""Where more passwords may wait than are checked: 503 in words is right there."""
REFUSED: Final = frozenset({401, 403, 404, 405})
WHOLE: Final = re.compile(r"/keep/[^/]+/download")
"""A backup is the whole house, its accounts among them; the page says so before it is taken."""


def faults_of(house: FuzzHouse, asked: Asked, answer: Answer) -> list[str]:
    """Return in words what is wrong with an answer; nothing where all is well."""
    if answer.status == 0:  # not HTTP enough to be answered
        return [] if asked.trick.startswith("raw") else ["closed without an answer"]
    found = [
        *_status(asked, answer),
        *_leaks(house, asked, answer),
        *_headers(asked, answer),
        *_rights(asked, answer),
    ]
    if answer.took_s > SLOW_S:
        found.append(f"took {answer.took_s:.1f} s")
    return found


def _path(asked: Asked) -> str:
    return unquote(asked.target.split("?")[0])


def _status(asked: Asked, answer: Answer) -> list[str]:
    is_busy = answer.status == 503 and _path(asked) in BUSY
    return [f"status {answer.status}"] if answer.status >= 500 and not is_busy else []


def _leaks(house: FuzzHouse, asked: Asked, answer: Answer) -> list[str]:
    if asked.caller.role is Role.OWNER and WHOLE.fullmatch(_path(asked)):
        return []
    found = [
        f"tells a secret: {each[:24]!r}"
        for each in house.secrets
        if each.encode() in answer.body and each.encode() not in asked.raw
    ]
    trace = TRACES.search(answer.body)
    if trace is not None and trace[0] not in asked.raw:
        found.append(f"tells {trace[0]!r}")
    kind = answer.headers.get("content-type", "")
    if kind.startswith("text/html") and MARK.encode() in answer.body:
        found.append("brings markup from outside into a page")
    return found


def _headers(asked: Asked, answer: Answer) -> list[str]:
    """The server itself refuses what is no HTTP, before there is anything of ours."""
    if answer.status == 400 and answer.headers.get("content-type", "").startswith("text/plain"):
        return [] if asked.trick.startswith("raw") else ["refused as no HTTP"]
    return [f"has no {name}" for name in HEADERS if name not in answer.headers]


def _rights(asked: Asked, answer: Answer) -> list[str]:
    if asked.trick.startswith("raw"):
        return []
    wanted = _wanted(asked)
    if wanted:
        return [] if answer.status in wanted else [f"{asked.trick} got {answer.status}"]
    found = find(asked.method, _path(asked))
    if found.right is None or _worth(asked.caller, found) >= found.right.least:
        return []
    if answer.status in REFUSED or answer.headers.get("location", "").startswith("/sign-in"):
        return []
    return [f"{asked.caller.name} got {answer.status} where {found.right.least.word} is needed"]


def _wanted(asked: Asked) -> frozenset[int]:
    """Return how a trick must end, whoever plays it; nothing where that depends."""
    if asked.trick == "a foreign host":
        return frozenset({400})
    if asked.method in SAFE:
        return frozenset()
    if asked.trick == "too much":
        return REFUSED | {413}
    return REFUSED if asked.trick == "a foreign page" else frozenset()


def _worth(caller: Caller, found: Found) -> Role:
    """The role that a caller has for this route, by what it shows."""
    right = found.right
    assert right is not None
    if caller.bearer:
        return caller.role if right.path.startswith(BEARER) else Role.NOBODY
    is_change = right.method not in SAFE
    if is_change and caller.cookie and not _knows_form(caller):
        return Role.NOBODY
    return caller.role


def _knows_form(caller: Caller) -> bool:
    return len(set(caller.form_token)) > 1


def too_much() -> int:
    return BODY_MAX + 1
