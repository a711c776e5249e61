"""Which run tries which promise, how often `all` does it, and how often it was once named."""

from typing import Final, NamedTuple


class Trial(NamedTuple):
    """`often` is what `all` does; `named` is the count that the promise speaks of, in words."""

    name: str
    promise: str
    says: str
    often: int
    named: str


TRIALS: Final = (
    Trial("crash", "P1", "killed anywhere, no motion is lost or doubled", 33, "1,180 kills"),
    Trial("torn", "P2", "a power cut leaves whole commits, all that were told", 1000, "5,000 cuts"),
    Trial("immediate", "P2", "PostgreSQL without power loses nothing told", 20, "200 stops"),
    Trial("duplicates", "P3", "a motion said often or late counts once", 3000, "100,000 nights"),
    Trial("broker", "P4", "a dead broker costs no committed motion", 10, "200 kills, 200 boards"),
    Trial("nights", "P5", "no fault breaks a law; a seed repeats a night", 5, "100 x 24 h"),
    Trial("clocks", "P6", "a wall clock that leaps changes no decision", 2000, "10,000 leaps"),
    Trial("disk", "P7", "a write that fails leaves nothing half written", 10, "every write"),
    Trial("full", "P7", "on a full disk the show plays, says so, recovers", 4, "200 fillings"),
    Trial("damage", "P8", "a damaged database starts, and says what is gone", 150, "2,000 damages"),
    Trial("link", "P11", "a dead link is noticed and mended", 25, "500 deaths"),
    Trial("cues", "P12", "no cue plays late, kept, old or twice", 50_000, "100,000 cues"),
    Trial("presence", "P13", "who is here is here, who is gone is gone", 25, "5,000 flaps"),
    Trial("attacks", "P14, P15", "a board reaches its own topics only", 50, "10,000 on the wire"),
    Trial("impostors", "P15", "a bad sign-in disturbs no board", 500, "5,000 of each"),
    Trial("strangers", "P16", "strangers cannot use up the broker", 1000, "5,000 sockets"),
    Trial("flood", "P16", "a thousand strangers a second cost nobody a cue", 10, "600 s"),
    Trial("payloads", "P17", "no payload breaks the reader", 200_000, "1,000,000"),
    Trial("packets", "P18", "no packet breaks the broker or our end", 2000, "100,000"),
    Trial("slow", "P19", "who never reads or sleeps slows nobody", 2000, "100,000 queued"),
    Trial("restarts", "P22", "ended and begun in 5 s each, as it was", 4, "200 cycles"),
    Trial("guesses", "P23", "guessing passwords is useless, harms nobody", 100_000, "100,000"),
    Trial("timings", "P23", "how long a guess takes tells no names", 400, "10,000"),
    Trial("stops", "P25", "a stop reaches all in 1 s, whatever befalls", 280, "10,000 stops"),
    Trial("stop", "P25", "a stop outlives every restart", 12, "all 12 ways"),
    Trial("standby", "P28", "of two servers one decides, the other takes over", 6, "500 faults"),
    Trial("rolling", "P28", "an upgrade of both, in turns, loses nothing", 3, "100 rounds"),
)
BY_NAME: Final = {each.name: each for each in TRIALS}
