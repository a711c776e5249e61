"""Runs first on a real board and puts every output to rest, before any network is thought of."""

import config
import pins

try:
    pins.machine_pins(config.load("config.json"))
except (OSError, config.ConfigError) as fault:
    # Without a sound configuration no pin is known; main.py says so again and drives none.
    print("outputs not set:", fault)
