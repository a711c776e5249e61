"""The broker's side: a client that cannot die silently, and a Mosquitto kept as a child."""
