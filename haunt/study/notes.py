"""What is legal in a show and yet worth a thought before the night."""

from haunt.core.show import Show


def notes(show: Show) -> list[str]:
    """Return a sentence for each prop whose patience outlasts its rest, and for neighbours."""
    found = []
    for prop in show.props:
        patience_ms = max((b.patience_ms for b in prop.behaviours), default=0)
        if patience_ms >= prop.cooldown_ms:
            found.append(
                f"{prop.id}: patience of {patience_ms / 1000:g} s outlasts its cooldown of "
                f"{prop.cooldown_ms / 1000:g} s, so one group may set it off twice"
            )
    patience_ms = max((b.patience_ms for p in show.props for b in p.behaviours), default=0)
    if show.gap_ms > 0 and any(prop.neighbours for prop in show.props):
        chain = patience_ms // show.gap_ms + 1
        found.append(
            f"with a gap of {show.gap_ms / 1000:g} s and patience up to {patience_ms / 1000:g} s "
            f"one motion can fire {chain} of the props that are neighbours"
        )
    return found
