// Copy this file to config.h and fill it in. What stands under BOARD is what
// `haunt boards add gate --data DIR --json` prints; it is shown once.
#pragma once

// WI-FI
#define HAUNT_SSID "the network's name"
#define HAUNT_WIFI_PASSWORD "the network's password"

// BOARD
#define HAUNT_HOST "192.168.1.20"
#define HAUNT_PORT 1883
#define HAUNT_BOARD "gate"
#define HAUNT_PASSWORD "what was printed"
#define HAUNT_ROOT "haunt/garden"

// How long it may wait after its start, so that boards on one switch do not all start at once.
#define HAUNT_SPREAD_MS 5000
