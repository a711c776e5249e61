"""What follows from a data sheet: sums with their sources. Pure, standard library only."""
