// Decides what a board does, from its own steady clock alone: cues, beat, epoch, stop, motions.
// It must never touch a pin or a socket, and never play anything at boot.
#pragma once

#include "payloads.h"

namespace haunt {

struct Behaviour {
  const char *id;
  uint32_t duration_ms;
};

struct Prop {
  const char *id;
  const Behaviour *behaviours;
  uint8_t count;
};

struct Sensor {
  const char *id;
  bool stops;  // a button that stills this board, without the broker
};

// What hangs on the board; all of it outlives the board.
struct Setup {
  const char *fw;
  const Prop *props;
  uint8_t prop_count;
  const Sensor *sensors;
  uint8_t sensor_count;
  int32_t floor_mv;  // below it three times running the pack is spared; 0: there is none
};

// What the board asks of the world. `leaf` is the end of a topic; a `token` other than 0 comes
// back by acked() once the broker has the message.
class World {
 public:
  virtual void play(uint8_t prop, uint8_t behaviour, bool on) = 0;
  virtual void still(uint8_t prop) = 0;
  virtual void publish(const char *leaf, const char *payload, size_t size, uint8_t qos,
                       bool retain, uint32_t token) = 0;

 protected:
  ~World() = default;
};

// The controller's steady clock as its beats tell it. A beat can only come late, so the largest
// difference of the last sixty is nearest the truth.
class Beats {
 public:
  void heard(int64_t ms, const Beat &beat);
  void connection_lost() { heard_on_this_connection_ = false; }
  bool is_known() const { return count_ > 0; }
  int64_t steady_ms(int64_t ms) const;
  bool is_silent(int64_t ms) const;
  bool can_date_a_cue(int64_t ms) const { return heard_on_this_connection_ && !is_silent(ms); }
  const char *clock() const { return clock_; }

 private:
  static constexpr int KEPT = 60;
  char clock_[ID_CHARS_MAX + 1] = "";
  int64_t differences_[KEPT];
  int count_ = 0, next_ = 0;
  int64_t last_ms_ = 0;
  bool heard_on_this_connection_ = false;
};

// Motions and reports until the broker has them, oldest first; when full the oldest is dropped.
class Outbox {
 public:
  struct Entry {
    uint32_t token;
    bool is_underway;
    bool is_motion;
    uint8_t sensor;
    int64_t happened_ms, seq, epoch;
    const char *state, *why;
    char cue[CUE_CHARS_MAX + 1];
  };

  Entry &put();
  const Entry *take();  // the next to be sent; null while enough are underway
  void acknowledged(uint32_t token);
  void connection_lost();
  int64_t dropped = 0;

 private:
  static constexpr int KEPT = 64;
  static constexpr int UNDERWAY = 8;
  void remove(int place);
  Entry entries_[KEPT];
  int count_ = 0;
  uint32_t last_token_ = 0;
};

// Of each id that played a hash of 64 bits: 512 bytes in place of 8 KiB. Two of the last 64 alike
// by chance are less likely than one in 2^50.
class Remembered {
 public:
  bool has(const char *cue) const;
  void add(const char *cue);

 private:
  static constexpr int KEPT = 64;
  static uint64_t hash(const char *text);
  uint64_t hashes_[KEPT] = {};
  int count_ = 0, next_ = 0;
};

class Board {
 public:
  // `boot` is twelve random digits of 0-9 and a-f, drawn at this start.
  Board(const Setup &setup, World &world, const char *boot, const char *reset, int64_t ms);

  void tick(int64_t ms);
  size_t connecting(int64_t ms, char *will, size_t size);  // writes the will; its length
  void connected(int64_t ms);
  void lost(int64_t ms);
  void acked(int64_t ms, uint32_t token);
  // `owner` and `leaf` are the last two parts of the topic.
  void message(int64_t ms, const char *owner, const char *leaf, const char *payload, size_t size,
               bool retain);
  void sensor(int64_t ms, uint8_t sensor, bool is_high);
  void battery(int64_t ms, int32_t mv);
  void signal(int16_t dbm) { rssi_ = dbm; }

  bool is_playing() const;

 private:
  struct Play {
    bool on = false;
    uint8_t behaviour = 0;
    int64_t end_ms = 0;
    char cue[CUE_CHARS_MAX + 1] = "";
  };

  void begin(int64_t ms);
  void finish(int64_t ms);
  void end_plays(int64_t ms);
  void send_waiting(int64_t ms);
  void send_health(int64_t ms);
  void take_cue(int64_t ms, const char *payload, size_t size, bool retain);
  const char *refusal(int64_t ms, const Cue &cue, bool retain, int &prop, int &behaviour) const;
  void take_stop(int64_t ms, const Stop &stop, bool retain);
  void raise_epoch(int64_t ms, int64_t epoch);
  void stop_show(int64_t ms);
  void still();
  void report(const char *cue, const char *state, const char *why = nullptr);
  void want_health(int64_t ms);

  const Setup &setup_;
  World &world_;
  const char *boot_;
  const char *reset_;
  const int64_t boot_ms_;
  Beats beats_;
  Outbox outbox_;
  Remembered played_;
  Play plays_[PROPS_MAX];
  int64_t conn_ = 0, seq_ = 0, epoch_ = 0, bad_ = 0;
  int64_t starts_[PROPS_MAX] = {}, motions_[SENSORS_MAX] = {}, active_[SENSORS_MAX] = {};
  int64_t high_since_[SENSORS_MAX];
  int64_t health_due_ms_, health_last_ms_;
  int32_t battery_mv_ = -1;
  int16_t rssi_ = NO_RSSI;
  uint8_t low_readings_ = 0;
  bool is_connected_ = false, is_still_ = true, is_stopped_ = false, is_stopped_here_ = false;
  char said_[PAYLOAD_BYTES_MAX + 1];
};

}  // namespace haunt
