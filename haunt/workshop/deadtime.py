"""Dead time: how many groups a cooldown, a re-arming sensor or a few props let through, and back.

Groups an hour and seconds. The laws hold for groups that come by chance, one not knowing of the
other (a Poisson stream); people who come in bunches are answered less often than these say. A value
out of range raises ValueError, which says what is allowed.
"""

from collections.abc import Callable
from math import e, exp, log, sqrt

from haunt.workshop.band import NINETEEN_OF_TWENTY, Band

HOUR_S = 3600
PROPS_MOST = 1000
HALVINGS = 100


def answered_share(groups_per_hour: float, dead_s: float) -> float:
    """Share that finds a prop ready, where who comes in its dead time does not lengthen it.

    1 / (1 + n tau), the non-extending (non-paralyzable) counter: Ahmed, Physics and Engineering of
    Radiation Detection, eq. 3.6.5. `dead_s` is play and cooldown; only its mean matters.
    """
    return 1 / (1 + _load(groups_per_hour, dead_s))


def rearmed_share(groups_per_hour: float, lull_s: float) -> float:
    """Share that a sensor in repeat mode takes, where every motion begins its lull anew.

    exp(-n tau), the extending (paralyzable) counter: a public derivation of both laws for Poisson
    streams (Mathematics Stack Exchange 4590225). It leaves out re-arming after a longest lull.
    """
    return exp(-_load(groups_per_hour, lull_s))


def most_rearmed_per_hour(lull_s: float) -> float:
    """Most that a sensor in repeat mode can take, 1 / (e tau): it comes at one group a lull."""
    _refuse_dead(lull_s)
    return HOUR_S / (e * lull_s)


def blocked_share(props: int, load: float) -> float:
    """Share that finds every one of some props busy, if each group is answered by one of them.

    Erlang B by its recursion B(c) = a B(c-1) / (c + a B(c-1)), B(0) = 1; `load` is groups times
    dead time, in erlang. One prop gives 1 - `answered_share`.
    """
    if not 0 <= props <= PROPS_MOST or not 0 <= load < float("inf"):
        raise ValueError(f"{props} props, {load} E; allowed: 0 to {PROPS_MOST}, 0 E and more")
    blocked = 1.0
    for busy in range(1, props + 1):
        blocked = load * blocked / (busy + load * blocked)
    return blocked


def load_for(props: int, blocked: float) -> float:
    """The load in erlang at which that share finds all props busy: the inverse, by halving."""
    if not 1 <= props <= PROPS_MOST or not 0 <= blocked < 1:
        raise ValueError(
            f"{props} props, {blocked} blocked; allowed: 1 to {PROPS_MOST}, 0 to below 1"
        )
    low, high = 0.0, props / (1 - blocked)  # what is carried is at most one erlang a prop
    return _halved(lambda load: blocked_share(props, load) < blocked, low, high)[1]


def props_for(load: float, blocked_most: float) -> int:
    """The fewest props with which no greater share finds all of them busy."""
    if not 0 <= load <= PROPS_MOST / 2 or not 0 < blocked_most <= 1:
        raise ValueError(
            f"{load} E, {blocked_most} blocked; allowed: 0 to {PROPS_MOST // 2} E, above 0 to 1"
        )
    props, blocked = 0, 1.0
    while blocked > blocked_most:
        props += 1
        blocked = load * blocked / (props + load * blocked)
    return props


def groups_from_starts(
    starts: int, watched_h: float, dead_s: float, dead_off_s: float = 0.0
) -> Band:
    """Groups an hour that came, from the starts of a lone prop: n = m / (1 - m tau), eq. 3.6.6.

    The range is chance (the starts are a Poisson count of the time in which the prop was ready,
    by the score interval) widened by `dead_off_s`, how far the dead time may be off either way.
    Raises ValueError where the starts leave no ready time: no number of groups is too many then.
    """
    _refuse_count(starts, watched_h)
    if not 0 <= dead_off_s <= dead_s:
        raise ValueError(f"{dead_s} s give or take {dead_off_s} s; allowed: 0 s to {dead_s} s off")
    ready_h = watched_h - starts * dead_s / HOUR_S
    least_h = ready_h - starts * dead_off_s / HOUR_S
    if least_h <= 0:
        most = watched_h * HOUR_S / (dead_s + dead_off_s)
        raise ValueError(f"{starts} starts in {watched_h} h; allowed: fewer than {most:.1f}")
    low, high = _count_range(starts, 1.0)
    most_h = ready_h + starts * dead_off_s / HOUR_S
    return Band(starts / ready_h, low / most_h, high / least_h)


def groups_from_rearmed(taken: int, watched_h: float, lull_s: float) -> tuple[Band, Band]:
    """Groups an hour that came past a sensor in repeat mode: few of them, or so many.

    m = n exp(-n tau) has two solutions, below and above one group a lull, and the count alone does
    not tell which. Counts of such a sensor vary by m T (1 - 2 m tau): two taken motions are never
    nearer than the lull, and else do not know of each other. Raises ValueError beyond 1 / (e tau).
    """
    _refuse_count(taken, watched_h)
    tau_h, most = lull_s / HOUR_S, watched_h * most_rearmed_per_hour(lull_s)
    if not 0 < taken <= most:
        raise ValueError(f"{taken} taken in {watched_h} h; allowed: 1 to {most:.1f}")
    share = taken / watched_h * tau_h
    low, high = (each / watched_h * tau_h for each in _count_range(taken, 1 - 2 * share))
    few = [_load_below_one(each) / tau_h for each in (share, low, high)]
    many = [_load_above_one(each) / tau_h for each in (share, low, high)]
    return Band(few[0], few[1], few[2]), Band(many[0], many[2], many[1])


def _load(groups_per_hour: float, dead_s: float) -> float:
    if not 0 <= groups_per_hour < float("inf") or not 0 <= dead_s < float("inf"):
        raise ValueError(f"{groups_per_hour} groups/h, {dead_s} s; allowed: 0 and more")
    return groups_per_hour * dead_s / HOUR_S


def _refuse_dead(lull_s: float) -> None:
    if not 0 < lull_s < float("inf"):
        raise ValueError(f"a lull of {lull_s} s; allowed: more than 0")


def _refuse_count(count: int, watched_h: float) -> None:
    if count < 0 or not 0 < watched_h < float("inf"):
        raise ValueError(f"{count} in {watched_h} h; allowed: 0 and more, in more than 0 h")


def _count_range(count: int, spread: float) -> tuple[float, float]:
    """Means for which a count is no surprise, if its variance is `spread` times its mean."""
    z = NINETEEN_OF_TWENTY
    middle = count + z * z * spread / 2
    off = z * sqrt(spread * (count + z * z * spread / 4))
    return max(0.0, middle - off), middle + off


def _load_below_one(share: float) -> float:
    """Solve x exp(-x) = share for x in [0, 1]; 1 beyond the top of the curve."""
    return _halved(lambda x: x * exp(-x) < share, 0.0, 1.0)[1]


def _load_above_one(share: float) -> float:
    """Solve x exp(-x) = share for x of 1 and more; 1 beyond the top of the curve."""
    return _halved(lambda x: x * exp(-x) > share, 1.0, 1.0 + 2 * max(1.0, -log(share)))[0]


def _halved(is_below: Callable[[float], bool], low: float, high: float) -> tuple[float, float]:
    """Return the two neighbours between which a bound lies, as near as a float can tell."""
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if is_below(middle):
            low = middle
        else:
            high = middle
    return low, high
