"""Which behaviours may sound at one instant: a search for the set that adds up to most.

Branch and bound over props under the rules of the running night. It does a bounded amount of work
and says where that was not enough.
"""

from bisect import insort
from collections.abc import Iterable
from typing import Final, NamedTuple

from haunt.core.show import Behaviour, PropSpec, Show

SLACK: Final = 10**0.01
"""Sets that are louder by less than 0.1 dB are not looked for: nobody hears or measures that."""
STEPS_MAX: Final = 3000


class Part(NamedTuple):
    """A prop's behaviour that may play, and the power that it adds to the prop's idle sound."""

    prop: PropSpec
    behaviour: Behaviour
    gain: float


class Together(NamedTuple):
    """The best set. `gain` is what it adds, `bound` what no set can pass; equal where exact."""

    parts: tuple[Part, ...]
    gain: float
    bound: float
    is_exact: bool


class Groups:
    """Props that are all neighbours of each other, for bounds; each prop is in one group a kind."""

    def __init__(self, show: Show) -> None:
        self.stagger = _cliques({each.id: frozenset(each.neighbours) for each in show.props})
        self.voice = _cliques({each.id: frozenset(each.voice_neighbours) for each in show.props})


def _cliques(near: dict[str, frozenset[str]]) -> dict[str, int]:
    members: list[list[str]] = []
    found: dict[str, int] = {}
    for prop, neighbours in near.items():
        fitting = (n for n, group in enumerate(members) if neighbours.issuperset(group))
        number = next(fitting, len(members))
        if number == len(members):
            members.append([])
        members[number].append(prop)
        found[prop] = number
    return found


def best_of(show: Show, groups: Groups, parts: Iterable[Part], base: float) -> Together:
    """`base` is the power that is there anyhow: it says how little matters."""
    by_prop: dict[str, list[Part]] = {}
    for part in parts:
        if part.gain > 0 and not _is_barred_alone(show, part.behaviour):
            by_prop.setdefault(part.prop.id, []).append(part)
    rows = [sorted(each, key=lambda part: -part.gain) for each in by_prop.values()]
    rows.sort(key=lambda row: (-row[0].gain, row[0].prop.id))
    return _Search(show, groups, rows, base).best()


def _is_barred_alone(show: Show, behaviour: Behaviour) -> bool:
    return any(amount > show.loads[n].limit for n, amount in behaviour.draws)


class _Search:
    def __init__(self, show: Show, groups: Groups, rows: list[list[Part]], base: float) -> None:
        self._show, self._rows, self._base = show, rows, base
        self._rest = _bounds(rows, groups, show.gap_ms)
        self._draws = [0] * len(show.loads)
        self._chosen: list[Part] = []
        self._slots: dict[str, int] = {}
        self._most, self._best = 0.0, tuple[Part, ...]()
        self._steps = 0

    def best(self) -> Together:
        self._look(0, 0.0)
        is_exact = self._steps <= STEPS_MAX
        self._fill_up()
        bound = self._most if is_exact else self._rest[0]
        return Together(self._best, self._most, bound, is_exact)

    def _look(self, row: int, gain: float) -> None:
        self._steps += 1
        if gain > self._most:
            self._most, self._best = gain, tuple(self._chosen)
        if row == len(self._rows) or self._steps > STEPS_MAX:
            return
        if self._base + gain + self._rest[row] <= (self._base + self._most) * SLACK:
            return
        for part in self._rows[row]:
            before = self._slots
            if self._take(part):
                self._look(row + 1, gain + part.gain)
                self._give_back(before)
        self._look(row + 1, gain)

    def _fill_up(self) -> None:
        """Add what fits beside the best set; the search leaves out whom nobody would hear."""
        for part in self._best:
            self._take(part)
        playing = {each.prop.id for each in self._best}
        for row in self._rows:
            for part in row if row[0].prop.id not in playing else ():
                if self._take(part):
                    self._most += part.gain
                    break
        self._best = tuple(self._chosen)

    def _take(self, part: Part) -> bool:
        """Let it play beside the others, if the rules let it."""
        loads, behaviour = self._show.loads, part.behaviour
        if any(self._draws[n] + amount > loads[n].limit for n, amount in behaviour.draws):
            return False
        if behaviour.voice and any(
            each.behaviour.voice and each.prop.id in part.prop.voice_neighbours
            for each in self._chosen
        ):
            return False
        slots = self._slotted(part)
        if slots is None:
            return False
        self._slots = slots
        self._chosen.append(part)
        for load, amount in behaviour.draws:
            self._draws[load] += amount
        return True

    def _give_back(self, slots: dict[str, int]) -> None:
        part = self._chosen.pop()
        self._slots = slots
        for load, amount in part.behaviour.draws:
            self._draws[load] -= amount

    def _slotted(self, part: Part) -> dict[str, int] | None:
        """How many gaps ago each began, with this one among them; None where that cannot be.

        Starts of neighbours lie a gap apart, and each may be shifted back until it is a whole
        number of gaps before the instant: so whole gaps are shared out, different ones among
        neighbours, none past the duration.
        """
        gap_ms, near = self._show.gap_ms, part.prop.neighbours
        room = _room(part, gap_ms)
        taken = {self._slots[each] for each in near if each in self._slots}
        free = next((slot for slot in range(room) if slot not in taken), None)
        if gap_ms <= 0 or free is not None:
            return self._slots | {part.prop.id: free or 0}
        return self._shared_out([*self._chosen, part])

    def _shared_out(self, parts: list[Part]) -> dict[str, int] | None:
        gap_ms = self._show.gap_ms
        names = {each.prop.id for each in parts}
        near = {each.prop.id: [o for o in each.prop.neighbours if o in names] for each in parts}
        order = sorted(parts, key=lambda each: (_room(each, gap_ms), -len(near[each.prop.id])))
        slots: dict[str, int] = {}

        def put(number: int) -> bool:
            self._steps += 1
            if number == len(order):
                return True
            if self._steps > STEPS_MAX:
                return False
            part = order[number]
            taken = {slots[each] for each in near[part.prop.id] if each in slots}
            for slot in range(_room(part, gap_ms)):
                if slot not in taken:
                    slots[part.prop.id] = slot
                    if put(number + 1):
                        return True
                    del slots[part.prop.id]
            return False

        return slots if put(0) else None


def _room(part: Part, gap_ms: int) -> int:
    """How many whole gaps ago it may have begun and still sound, counted from 0."""
    return max(1, -(-part.behaviour.duration_ms // gap_ms)) if gap_ms > 0 else 1


def _bounds(rows: list[list[Part]], groups: Groups, gap_ms: int) -> list[float]:
    """For each row, more than what it and all after it can add."""
    one_by_voice, one_by_stagger = _Voices(groups.voice), _Starts(groups.stagger, gap_ms)
    found = [0.0]
    for row in reversed(rows):
        one_by_voice.add(row)
        one_by_stagger.add(row)
        found.append(min(one_by_voice.total, one_by_stagger.total))
    return found[::-1]


class _Voices:
    """Of a group, everybody's loudest without a voice, and what the best voice adds."""

    def __init__(self, group_of: dict[str, int]) -> None:
        self._group_of, self._extra, self.total = group_of, dict[int, float](), 0.0

    def add(self, row: list[Part]) -> None:
        mute = max((each.gain for each in row if not each.behaviour.voice), default=0.0)
        extra = max(0.0, row[0].gain - mute)
        group = self._group_of[row[0].prop.id]
        had = self._extra.get(group, 0.0)
        self._extra[group] = max(had, extra)
        self.total += mute + self._extra[group] - had


class _Starts:
    """Of a group, as many of the loudest as the longest behaviour leaves room for starts."""

    def __init__(self, group_of: dict[str, int], gap_ms: int) -> None:
        self._group_of, self._gap_ms, self.total = group_of, gap_ms, 0.0
        self._gains: dict[int, list[float]] = {}
        self._rooms: dict[int, int] = {}

    def add(self, row: list[Part]) -> None:
        if self._gap_ms <= 0:
            self.total += row[0].gain
            return
        group = self._group_of[row[0].prop.id]
        gains = self._gains.setdefault(group, [])
        self.total -= self._sum(group)
        insort(gains, row[0].gain)
        room = max(_room(each, self._gap_ms) for each in row)
        self._rooms[group] = max(self._rooms.get(group, 0), room)
        self.total += self._sum(group)

    def _sum(self, group: int) -> float:
        return sum(self._gains[group][-self._rooms.get(group, 1) :])
