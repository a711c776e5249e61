"""The arbiter: events and time in, effects out. Pure, standard library only."""
