"""Long work as pages show it: how far it is, or in words why there is nothing."""

from typing import NamedTuple

from haunt.site.workports import Work, WorkState


class HowFar(NamedTuple):
    """`said` is how far it is while it runs, and why there is nothing where it failed."""

    is_running: bool
    percent: int
    said: str


def progress_of(work: Work, things: str = "") -> HowFar:
    """Say of work that is not done how much of it is; `things` are what is counted."""
    if work.state is WorkState.FAILED:
        return HowFar(is_running=False, percent=0, said=work.said)
    counted = f"{work.done} of {work.total} {things}".rstrip() if work.total else "starting"
    return HowFar(is_running=True, percent=work.percent, said=work.said or counted)
