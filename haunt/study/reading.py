"""What a reader of weighed settings could still take wrongly; it stands beside every table."""

from typing import Final

_TOLD: Final = """
A group is motions with less than 10 s between them. Two families close together are one group, and
one that stands still for long may be two.

Answered means that something started while the group was there, not that they liked it, and not
that all of them saw it.

How sure is about the luck of these nights: their half hours, or they themselves, drawn again. It
knows nothing of another day's weather, crowd or hour.

The advised setting is not the one with the highest count. It is the longest rest that is not surely
worse than that one.

On the front means: no other is better in every way. It does not mean good.

Every setting of a prop is weighed with the other props as they are now. Two pieces of advice taken
together may give less than their sum: take one, then weigh again.

Pack at close is that night's reading less what would be drawn more. A colder night takes more
(common practice: a fifth of the charge at 0 °C, half of an alkaline cell's).

Minutes at the property line are sums of levels in the show file over open ground, give or take
6 dB: good for comparing settings, no proof of what a neighbour hears.

Motor minutes and starts stand for wear. What a spring or a hinge bears is not known here.

Settings that were not tried are not shown: the best may lie between two rows.
"""

MISREAD: Final = tuple(" ".join(each.split()) for each in _TOLD.split("\n\n"))
