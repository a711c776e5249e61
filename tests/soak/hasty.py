"""The real server with one wait shortened: a release counts 60 ms, not five seconds.

For runs that stop and release by the thousand; `python -m tests.soak.hasty serve …`.
"""

from haunt.__main__ import main
from haunt.core import people

COUNT_MS = 60

if __name__ == "__main__":
    people.RELEASE_COUNT_MS = COUNT_MS
    main()
