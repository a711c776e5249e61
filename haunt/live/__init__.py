"""The running night: one owner of state, its ports, and what people and boards may tell it."""
