"""Links and tokens as they are drawn up: a secret that is kept nowhere, and what is kept of it."""

import secrets
from typing import Final, NamedTuple

from haunt.core.calendar import DAY_MS, HOUR_MS
from haunt.site.doors import new_secret
from haunt.site.rights import GRANTED, Role
from haunt.store.roster import Link, PeopleRefused, Token, clean_name, hash_of

CODE_BYTES: Final = 16
HOURS_MAX, USES_MAX, DAYS_MAX = 24 * 31, 100, 3_650
TOKEN_PREFIX: Final = "haunt_"  # noqa: S105 - how tokens begin, so that a leaked one is known
PREFIX_SHOWN: Final = 12


class NewLink(NamedTuple):
    """A link to be made. `person` is who may sign in by it; none: a newcomer of that role."""

    kind: str
    role: str
    hours: float
    uses: int = 1
    person: int | None = None

    def drawn(self, now_ms: int, by: str) -> tuple[str, Link]:
        """Return a fresh code and what is kept of it. Raises PeopleRefused."""
        if not 0 < self.hours <= HOURS_MAX or not 1 <= self.uses <= USES_MAX:
            raise PeopleRefused(
                f"A link lasts up to {HOURS_MAX // 24} days and works for up to {USES_MAX} people.",
                "hours",
            )
        code = secrets.token_urlsafe(CODE_BYTES)
        ends_ms = now_ms + round(self.hours * HOUR_MS)
        word = granted(self.role).word
        return code, Link(
            0, hash_of(code), self.kind, word, self.person, now_ms, ends_ms, self.uses, by
        )


def new_token(name: str, role: str, days: int | None, now_ms: int, by: str) -> tuple[str, Token]:
    """Return a fresh token and what is kept of it. Raises PeopleRefused."""
    if days is not None and not 1 <= days <= DAYS_MAX:
        raise PeopleRefused(f"A token lasts 1 to {DAYS_MAX} days, or until it is ended.", "days")
    secret = TOKEN_PREFIX + new_secret()
    ends_ms = now_ms + days * DAY_MS if days is not None else None
    word = granted(role).word
    return secret, Token(
        0, hash_of(secret), secret[:PREFIX_SHOWN], clean_name(name), word, now_ms, ends_ms, None, by
    )


def granted(role: str) -> Role:
    """Return the role of this word. Raises PeopleRefused."""
    if role not in GRANTED:
        raise PeopleRefused(f"A role is one of {', '.join(GRANTED)}.", "role")
    return GRANTED[role]
