"""The site map: a show on the ground, drawn, and things put where they stand."""
