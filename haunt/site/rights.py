"""Who may do what: one table of every route, its least role, and its word in the logbook.

A route that is not in the table does not exist: the gate never lets a request for it through.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from enum import IntEnum
from functools import cache
from typing import Final, NamedTuple

from starlette.routing import compile_path


class Role(IntEnum):
    """Each may do all that those before it may."""

    NOBODY = 0
    WATCH = 1
    CREW = 2
    OWNER = 3

    @property
    def word(self) -> str:
        return self.name.lower()


CAN: Final = {
    Role.WATCH: "sees everything and stops the show",
    Role.CREW: "stops, holds, releases, fires and tunes",
    Role.OWNER: "does everything, and changes the show file, people and tokens",
}
NOBODY, WATCH, CREW, OWNER = Role
GRANTED: Final = {role.word: role for role in (WATCH, CREW, OWNER)}
"""The roles that a person or a token can have, by the word they are kept under."""


def what_roles_can(roles: Iterable[Role] = (WATCH, CREW, OWNER)) -> dict[str, str]:
    """Return of each role its word and what it can."""
    return {role.word: CAN[role] for role in roles}


class Right(NamedTuple):
    """`what` names a change in the logbook."""

    method: str
    path: str
    least: Role
    what: str = ""


RIGHTS: Final = (
    # What a stranger may ask: whether the server lives, how it looks, and to come in.
    Right("GET", "/livez", NOBODY),
    Right("GET", "/readyz", NOBODY),
    Right("GET", "/healthz", NOBODY),
    Right("GET", "/static/{path:path}", NOBODY),
    Right("GET", "/ca.pem", NOBODY),
    Right("POST", "/theme", NOBODY, "theme"),
    Right("POST", "/clock", NOBODY, "theme"),
    Right("GET", "/sign-in", NOBODY),
    Right("POST", "/sign-in", NOBODY, "sign in"),
    Right("GET", "/set-up", NOBODY),
    Right("POST", "/set-up", NOBODY, "set up"),
    Right("GET", "/join", NOBODY),
    Right("POST", "/join", NOBODY, "join"),
    Right("GET", "/link", NOBODY),
    Right("POST", "/link", NOBODY, "sign in by link"),
    # Watch: all that is seen, the stop, and one's own account.
    Right("POST", "/stop", WATCH, "stop"),
    Right("POST", "/api/v1/stop", WATCH, "stop"),
    Right("GET", "/", WATCH),
    Right("GET", "/alerts", WATCH),
    Right("GET", "/stream", WATCH),
    Right("GET", "/props/{prop}", WATCH),
    Right("GET", "/boards", WATCH),
    Right("GET", "/boards/{board}", WATCH),
    Right("GET", "/log", WATCH),
    Right("GET", "/log.csv", WATCH),
    Right("GET", "/counts", WATCH),
    Right("GET", "/counts.csv", WATCH),
    Right("GET", "/packs", WATCH),
    Right("GET", "/packs.csv", WATCH),
    Right("GET", "/nights", WATCH),
    Right("GET", "/nights/{day}", WATCH),
    Right("GET", "/nights/{day}/visitors", WATCH),
    Right("GET", "/nights/{day}/report.csv", WATCH),
    Right("GET", "/nights-compared", WATCH),
    Right("GET", "/findings", WATCH),
    Right("GET", "/map", WATCH),
    Right("GET", "/labels", WATCH),
    Right("GET", "/labels.pdf", WATCH),
    Right("GET", "/before", WATCH),
    Right("GET", "/api/v1/before", WATCH),
    Right("GET", "/walk", WATCH),
    Right("GET", "/doors", WATCH),
    Right("GET", "/lines", WATCH),
    Right("GET", "/lines/work", WATCH),
    Right("GET", "/line-sounds/{name}", WATCH),
    Right("GET", "/lines/{prop}/{behaviour}", WATCH),
    Right("GET", "/tune", CREW),
    Right("GET", "/tune/{prop}", CREW),
    Right("GET", "/tune/{prop}/weighed", CREW),
    Right("GET", "/tune-show", CREW),
    Right("GET", "/tune-show/weighed", CREW),
    Right("GET", "/tune-nights", CREW),
    Right("GET", "/rehearse", CREW),
    Right("GET", "/rehearse/outlook", CREW),
    Right("GET", "/plan", WATCH),
    Right("GET", "/plan/export.toml", WATCH),
    Right("GET", "/plan/history", WATCH),
    Right("GET", "/plan/history/{version}", WATCH),
    Right("GET", "/plan/import", OWNER),
    Right("GET", "/plan/notes", WATCH),
    Right("GET", "/plan/notes.csv", WATCH),
    Right("GET", "/plan/{table}", WATCH),
    Right("GET", "/plan/{table}/{row}", WATCH),
    Right("GET", "/help", WATCH),
    Right("GET", "/manual", WATCH),
    Right("GET", "/manual/{chapter}", WATCH),
    Right("GET", "/connect", WATCH),
    Right("GET", "/connect.json", WATCH),
    Right("GET", "/schemas/{kind}.json", WATCH),
    Right("GET", "/asyncapi.json", WATCH),
    Right("GET", "/docs", WATCH),
    Right("GET", "/metrics", WATCH),
    Right("GET", "/account", WATCH),
    Right("POST", "/sign-out", WATCH, "sign out"),
    Right("POST", "/sign-out-everywhere", WATCH, "sign out everywhere"),
    Right("POST", "/account/password", WATCH, "own password"),
    Right("POST", "/account/sessions/{session}/end", WATCH, "own session ended"),
    Right("GET", "/api/v1/openapi.json", WATCH),
    Right("GET", "/api/v1/show", WATCH),
    Right("GET", "/api/v1/props", WATCH),
    Right("GET", "/api/v1/props/{prop}", WATCH),
    Right("GET", "/api/v1/decisions", WATCH),
    Right("GET", "/api/v1/motions", WATCH),
    Right("GET", "/api/v1/health", WATCH),
    Right("GET", "/api/v1/reports", WATCH),
    Right("GET", "/api/v1/alerts", WATCH),
    Right("GET", "/api/v1/live", WATCH),
    Right("GET", "/api/v1/nights/{day}/report", WATCH),
    # Crew: what makes props move, rest or wait.
    Right("GET", "/release", CREW),
    Right("POST", "/release", CREW, "release the show"),
    Right("POST", "/gentle", CREW, "gentle"),
    Right("POST", "/hold", CREW, "hold all"),
    Right("POST", "/release-hold", CREW, "release all holds"),
    Right("POST", "/alerts/{alert}/seen", CREW, "alert seen"),
    Right("POST", "/api/v1/alerts/{alert}/acknowledge", CREW, "alert seen"),
    Right("POST", "/before/tick", CREW, "check"),
    Right("POST", "/before/sign", CREW, "checks signed off"),
    Right("POST", "/walk/begin", CREW, "walk test"),
    Right("POST", "/doors/extended", CREW, "doors"),
    Right("POST", "/doors/{state}", CREW, "doors"),
    Right("POST", "/walk/end", CREW, "walk test ended"),
    Right("POST", "/walk/{sensor}/range", CREW, "range of a sensor"),
    Right("POST", "/sensors/{sensor}/mute", CREW, "mute"),
    Right("POST", "/sensors/{sensor}/unmute", CREW, "unmute"),
    Right("POST", "/props/{prop}/lock-out", CREW, "lock-out"),
    Right("POST", "/props/{prop}/service", CREW, "service"),
    Right("POST", "/props/{prop}/hold", CREW, "hold"),
    Right("POST", "/props/{prop}/release", CREW, "release"),
    Right("POST", "/props/{prop}/fire", CREW, "fire"),
    Right("POST", "/props/{prop}/cooldown", CREW, "cooldown"),
    Right("POST", "/tune/{prop}/later", CREW, "cooldown put off"),
    Right("POST", "/tune-later/cancel", CREW, "later change cancelled"),
    Right("POST", "/tune-show", CREW, "settings of the show"),
    Right("POST", "/tune-nights/{version}", CREW, "settings put back"),
    Right("POST", "/rehearse", CREW, "rehearsal"),
    Right("POST", "/rehearse/cancel", CREW, "rehearsal cancelled"),
    Right("POST", "/api/v1/stop/release", CREW, "release the show"),
    Right("POST", "/api/v1/hold", CREW, "hold all"),
    Right("POST", "/api/v1/release", CREW, "release all holds"),
    Right("POST", "/api/v1/phase", CREW, "phase"),
    Right("PATCH", "/api/v1/props/{prop}", CREW, "settings"),
    Right("POST", "/api/v1/props/{prop}/hold", CREW, "hold"),
    Right("POST", "/api/v1/props/{prop}/release", CREW, "release"),
    Right("POST", "/api/v1/props/{prop}/fire", CREW, "fire"),
    Right("POST", "/api/v1/props/{prop}/lock-out", CREW, "lock-out"),
    Right("POST", "/api/v1/props/{prop}/service", CREW, "service"),
    Right("POST", "/api/v1/walk-test", CREW, "walk test"),
    Right("POST", "/api/v1/doors", CREW, "doors"),
    Right("POST", "/api/v1/sensors/{sensor}/mute", CREW, "mute"),
    Right("POST", "/api/v1/sensors/{sensor}/unmute", CREW, "unmute"),
    Right("POST", "/plan/notes", CREW, "note on mending"),
    Right("POST", "/lines/{prop}/{behaviour}/judge", CREW, "line"),
    Right("POST", "/lines/{prop}/{behaviour}/prepare", CREW, "lines prepared"),
    Right("POST", "/lines/{prop}/{behaviour}/import", CREW, "lines brought in"),
    Right("POST", "/lines/sounds", CREW, "sounds of lines"),
    Right("POST", "/lines/cancel", CREW, "work on lines cancelled"),
    Right("POST", "/lines/follow", CREW, "lines into the show"),
    # Owner: the show file, people, and what they did.
    Right("POST", "/lines/gibberish", OWNER, "gibberish"),
    Right("PUT", "/api/v1/show", OWNER, "show file"),
    Right("POST", "/plan/history/{version}", OWNER, "show put back"),
    Right("POST", "/plan/import", OWNER, "plan looked at"),
    Right("POST", "/plan/import/take", OWNER, "show file"),
    Right("POST", "/plan/notes/{note}/remove", OWNER, "note removed"),
    Right("POST", "/plan/{table}/{row}", OWNER, "plan"),
    Right("POST", "/plan/{table}/{row}/check", OWNER, "plan looked at"),
    Right("POST", "/plan/{table}/{row}/copy", OWNER, "plan, copy"),
    Right("POST", "/plan/{table}/{row}/remove", OWNER, "plan, removal"),
    Right("GET", "/first", OWNER),
    Right("POST", "/first/prop", OWNER, "first show, a prop"),
    Right("POST", "/first/doors", OWNER, "first show, hours"),
    Right("POST", "/map", OWNER, "moved on the map"),
    Right("POST", "/map/undo", OWNER, "move taken back"),
    Right("GET", "/join-card", OWNER),
    Right("POST", "/join-card", OWNER, "join card made"),
    Right("POST", "/join-card.pdf", OWNER, "join card printed"),
    Right("POST", "/boards/{board}/credential", OWNER, "credential made"),
    Right("POST", "/boards/{board}/credential/rotate", OWNER, "credential made anew"),
    Right("POST", "/boards/{board}/credential/revoke", OWNER, "credential taken away"),
    Right("POST", "/api/v1/boards/{board}/credential", OWNER, "credential made"),
    Right("DELETE", "/api/v1/boards/{board}/credential", OWNER, "credential taken away"),
    Right("GET", "/keep", OWNER),
    Right("POST", "/keep/backups", OWNER, "backup made"),
    Right("GET", "/keep/{backup}", OWNER),
    Right("POST", "/keep/{backup}/try", OWNER, "backup tried"),
    Right("POST", "/keep/{backup}/download", OWNER, "backup downloaded"),
    Right("POST", "/keep/{backup}/restore", OWNER, "restore"),
    Right("GET", "/people", OWNER),
    Right("POST", "/people/links", OWNER, "join link made"),
    Right("POST", "/people/links/{link}/end", OWNER, "link ended"),
    Right("POST", "/people/tokens", OWNER, "token made"),
    Right("POST", "/people/tokens/{token}/end", OWNER, "token ended"),
    Right("GET", "/people/{person}", OWNER),
    Right("POST", "/people/{person}/role", OWNER, "role"),
    Right("POST", "/people/{person}/link", OWNER, "sign-in link made"),
    Right("POST", "/people/{person}/sign-out", OWNER, "signed out by an owner"),
    Right("POST", "/people/{person}/remove", OWNER, "person removed"),
    Right("GET", "/logbook", OWNER),
    Right("GET", "/logbook.csv", OWNER),
    Right("GET", "/logbook.json", OWNER),
    Right("GET", "/api/v1/logbook", OWNER),
)


class Found(NamedTuple):
    """The right that a request falls under, and what its path names; no right: no such route."""

    right: Right | None
    about: Mapping[str, str]
    methods: frozenset[str] = frozenset()


def find(method: str, path: str) -> Found:
    """Tell a route as the router does: a path without parameters goes before one with them."""
    wanted = "GET" if method == "HEAD" else method
    methods: set[str] = set()
    for right, about in _at(path):
        if right.method == wanted:
            return Found(right, about)
        methods.add(right.method)
    return Found(None, {}, frozenset(methods))


def _at(path: str) -> Iterator[tuple[Right, Mapping[str, str]]]:
    plain, patterns = _compiled()
    for right in plain.get(path, ()):
        yield right, {}
    for pattern, right in patterns:
        match = pattern.match(path)
        if match is not None:
            yield right, match.groupdict()


@cache
def _compiled() -> tuple[dict[str, list[Right]], list[tuple[re.Pattern[str], Right]]]:
    plain: dict[str, list[Right]] = {}
    patterns: list[tuple[re.Pattern[str], Right]] = []
    for right in RIGHTS:
        if "{" in right.path:
            patterns.append((compile_path(right.path)[0], right))
        else:
            plain.setdefault(right.path, []).append(right)
    return plain, patterns
