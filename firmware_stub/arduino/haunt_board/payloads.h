// What may stand in a cue, settings, beat or stop: bytes to checked values, all of it or nothing.
#pragma once

#include "json.h"

namespace haunt {

constexpr size_t PAYLOAD_BYTES_MAX = 2048;
constexpr size_t ID_CHARS_MAX = 32;
constexpr size_t CUE_CHARS_MAX = 128;

struct Cue {
  char cue[CUE_CHARS_MAX + 1];
  char prop[ID_CHARS_MAX + 1];
  char behaviour[ID_CHARS_MAX + 1];
  int64_t epoch, max_ms, ttl_ms, sent_ms;
};

struct Beat {
  char clock[ID_CHARS_MAX + 1];
  int64_t now_ms, wall_ms, epoch;
};

struct Stop {
  bool stopped;
  int64_t epoch, at_ms;
};

// Read so that a wrong one is noticed; this example is still without a beat, whatever they allow.
struct Settings {
  int64_t version;
  bool alone;
};

// What a board says. `clock`, `why`: none where they are null; `epoch` of a report: none below 0.
constexpr uint8_t PROPS_MAX = 8;
constexpr uint8_t SENSORS_MAX = 12;  // so that a health with every counter at its longest fits
constexpr int16_t NO_RSSI = -32768;

struct Here {
  const char *boot;
  int64_t conn;
  const char *fw;
  int64_t up_ms;
  const char *reset;
};

struct Gone {
  const char *boot;
  int64_t conn;
};

struct Motion {
  const char *sensor, *boot;
  int64_t seq, age_ms;
  const char *clock;
  int64_t at_ms;
};

struct Report {
  const char *cue, *boot, *state, *why;
  int64_t epoch;
};

struct Count {
  const char *id;
  int64_t value;
};

struct Health {
  const char *boot;
  int64_t up_ms;
  int32_t battery_mv = -1;
  int16_t rssi = NO_RSSI;
  uint8_t props = 0, sensors = 0;
  Count starts[PROPS_MAX], motions[SENSORS_MAX], active[SENSORS_MAX];
  int64_t epoch;
  bool stopped;
  const char *reset;
  int64_t bad, dropped;
};

bool read(const char *payload, size_t size, Cue &found);
bool read(const char *payload, size_t size, Beat &found);
bool read(const char *payload, size_t size, Stop &found);
bool read(const char *payload, size_t size, Settings &found);

// The id of a cue of which nothing else may be readable, so that it can be refused by name.
bool read_cue_id(const char *payload, size_t size, char (&cue)[CUE_CHARS_MAX + 1]);

// The length of what was written, 0 if it did not fit.
size_t write(const Here &said, char *into, size_t size);
size_t write(const Gone &said, char *into, size_t size);
size_t write(const Motion &said, char *into, size_t size);
size_t write(const Report &said, char *into, size_t size);
size_t write(const Health &said, char *into, size_t size);

}  // namespace haunt
