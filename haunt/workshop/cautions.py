"""The cautions that go with the sums, one short text a topic, the same wherever they are shown.

They are usual practice and no substitute for local codes and licensed people.
"""

from enum import StrEnum
from typing import Final


class Topic(StrEnum):
    LITHIUM = "lithium"
    MAINS = "mains"
    FUSE = "fuse"
    MOTION = "motion"
    AIR = "air"
    STROBE = "strobe"
    FOG = "fog"
    HEARING = "hearing"
    BUILDING = "building"


DECIDES: Final = "Local codes and licensed people decide; this is usual practice only."

TITLES: Final[dict[Topic, str]] = {
    Topic.LITHIUM: "Lithium packs",
    Topic.MAINS: "Mains",
    Topic.FUSE: "Fuses and wire",
    Topic.MOTION: "Motors and fingers",
    Topic.AIR: "Air",
    Topic.STROBE: "Flashing light",
    Topic.FOG: "Fog",
    Topic.HEARING: "Ears",
    Topic.BUILDING: "Walk-through buildings",
}

CAUTIONS: Final[dict[Topic, str]] = {
    Topic.LITHIUM: "Charge attended and balanced, on a fireproof surface, not in the prop, never "
    "below 0 °C, with the charger made for the pack. A swollen, hot or dropped pack goes outdoors "
    "and to disposal.",
    Topic.MAINS: "Outdoor leads, a ground-fault device tested that day, plugs off the wet ground. "
    "A device that trips is traced, never bypassed. Fixed wiring is for licensed electricians.",
    Topic.FUSE: "Fuse each pack at its own lead, and no larger than the thinnest wire behind it "
    "bears. Unplug the pack before you touch its wiring; a shorted pack burns.",
    Topic.MOTION: "Guard pinch points at arm's length plus stroke; children reach further than you "
    "think. Whoever works on a prop unplugs it and holds what can fall. A motor is stalled for a "
    "second at most to measure it, from outside its reach.",
    Topic.AIR: "Relief valve, rated tube, the lowest pressure that works, and a dump valve within "
    "the helper's reach. Bleed and pin before reaching in. Never household plastic pipe.",
    Topic.STROBE: "Flashing light can bring on a seizure. Signs before the queue, with a way round "
    "on request; no strobe at steps; gentle hours without.",
    Topic.FOG: "Fog never hides steps, kerbs or exits and never reaches a smoke alarm.",
    Topic.HEARING: "Small ears are nearer the speaker than yours. Crew who stand by a loud prop "
    "all evening change places or wear protection.",
    Topic.BUILDING: "A walk-through building may count as a special amusement building with rules "
    "of its own: ask your fire authority before you build. Light path and exits without the show.",
}
