"""Passwords guessed by the hundred thousand: few are looked at, and nobody who is in is harmed.

Most guesses are on a virtual clock at the very book that counts tries; a share of them goes to a
real server, from many lines at once, while somebody who is signed in stops the show.
"""

import re
import threading
import time
from collections import Counter
from contextlib import closing, suppress
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from urllib.parse import urlencode

from haunt.site.doors import form_token_of
from haunt.site.passwords import Backoff
from haunt.study.chance import Chance
from tests.soak.outcome import Outcome
from tests.system.house import SHOW, House, Server, until
from tests.system.test_people import WORDS, asked

ACCOUNTS = frozenset(f"person {number}" for number in range(100))
TEN_MINUTES_MS, TRIES_MAX = 600_000, 10
REAL_SHARE, REAL_MAX = 100, 3000
LINES = 4
STOP_S = 1.0
KINDS = ("one name", "a hundred names", "names that nobody has")


def run(count: int, seed: int, folder: Path, *, within_s: float = STOP_S) -> Outcome:
    outcome = Outcome()
    for kind in KINDS:
        on_a_virtual_clock(kind, count // len(KINDS), seed, outcome)
    _at_a_real_server(min(REAL_MAX, max(60, count // REAL_SHARE)), folder, within_s, outcome)
    return outcome


def on_a_virtual_clock(kind: str, count: int, seed: int, outcome: Outcome) -> None:
    """A hundred guesses a second; no name may have more than ten looked at in ten minutes."""
    now, chance = [0], Chance(seed, kind)
    backoff, looked_at = Backoff(lambda: now[0]), dict[str, list[int]]()
    for number in range(count):
        now[0] += 10
        name = {
            KINDS[0]: "person 7",
            KINDS[1]: f"person {chance.below(len(ACCOUNTS))}",
            KINDS[2]: f"nobody {number}",
        }[kind]
        if not backoff.begin(name, ACCOUNTS):
            looked_at.setdefault(name, []).append(now[0])
    outcome.injected[f"guesses at {kind}"] += count
    outcome.noted[f"looked at, {kind}"] += sum(map(len, looked_at.values()))
    for name, at in looked_at.items():
        for first, instant in enumerate(at):
            within = sum(instant <= each < instant + TEN_MINUTES_MS for each in at[first:])
            outcome.expect(within <= TRIES_MAX, f"{within} tries of {name} in ten minutes")


def _at_a_real_server(count: int, folder: Path, within_s: float, outcome: Outcome) -> None:
    with House(folder, SHOW) as house:
        server = house.server
        cookie = _owner(house)
        answers: Counter[tuple[str, int]] = Counter()
        attack = [
            threading.Thread(target=_guess, args=(server, line, count // LINES, answers))
            for line in range(LINES)
        ]
        for each in attack:
            each.start()
        while any(each.is_alive() for each in attack):
            _use_it(server, cookie, within_s, outcome)
            time.sleep(0.2)
        for each in attack:
            each.join()
        outcome.injected["guesses over HTTP"] += sum(answers.values())
        for (who, status), times in answers.items():
            outcome.noted[f"guesses at {who} answered {status}"] += times
        outcome.expect({each for _, each in answers} <= {401, 429, 503}, f"{dict(answers)}")
        mara = answers["Mara", 401]
        outcome.expect(mara <= TRIES_MAX, f"{mara} guesses at one name were looked at")
        outcome.expect(_signs_in(server), "nobody else can sign in after it")


def _owner(house: House) -> str:
    log = house.folder / "server.log"
    [code] = until(lambda: re.findall(r"/set-up\?code=([\w-]+)\n", log.read_text()), "the link")
    told = asked(house.server, "/set-up", {"code": code, "name": "Mara", "password": WORDS})
    assert told.status == 303, told.text
    jory = house.server.told("people", "add", "Jory", "--role", "crew")["url"]
    assert asked(house.server, "/link", {"code": jory.partition("code=")[2]}).status == 303
    return told.cookie


def _guess(server: Server, line: int, count: int, answers: "Counter[tuple[str, int]]") -> None:
    """On one line that stays open: Mara's name every other time, else a made-up one."""
    done = 0
    while done < count:
        with (
            suppress(OSError, HTTPException),
            closing(HTTPConnection("127.0.0.1", server.port, timeout=20)) as link,
        ):
            while done < count:
                name = "Mara" if done % 2 else f"nobody {line} {done}"
                body = urlencode({"name": name, "password": f"guess {line} {done}"})
                kind = {"content-type": "application/x-www-form-urlencoded"}
                link.request("POST", "/sign-in", body, {"origin": server.url, **kind})
                answer = link.getresponse()
                answer.read()
                answers["Mara" if done % 2 else "nobody", answer.status] += 1
                done += 1


def _use_it(server: Server, cookie: str, within_s: float, outcome: Outcome) -> None:
    """Who is in stops the show and looks at it, as if nobody guessed."""
    began = time.monotonic()
    token = form_token_of(cookie.partition("=")[2])
    told = asked(server, "/stop", {"form_token": token}, cookie=cookie)
    took_s = time.monotonic() - began
    outcome.expect(told.status == 303, f"a stop was answered {told.status}")
    outcome.expect(took_s <= within_s, f"a stop took {took_s:.2f} s")
    outcome.noted["stops meanwhile"] += 1
    most = "longest stop meanwhile, ms"
    outcome.noted[most] = max(outcome.noted[most], round(1000 * took_s))


def _signs_in(server: Server) -> bool:
    """By a fresh link: a name that was guessed at has to wait, but nobody is locked out."""
    link = server.told("people", "link", "Mara")["url"]
    told = asked(server, "/link", {"code": link.partition("code=")[2]})
    return told.status == 303
