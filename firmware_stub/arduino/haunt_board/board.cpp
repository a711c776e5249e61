#include "board.h"

#include <string.h>

namespace haunt {

namespace {

constexpr int64_t SILENCE_MS = 6000;
constexpr int64_t HEALTH_MS = 5000;
constexpr int64_t HEALTH_LEAST_MS = 100;  // a chattering sensor clears often
constexpr uint8_t FLOOR_READINGS = 3;     // one dip is a motor starting
constexpr int64_t LOW = -1;               // of high_since_: the sensor sees nobody

void copy(char *into, const char *from, size_t size) {
  strncpy(into, from, size - 1);
  into[size - 1] = 0;
}

int64_t least(int64_t one, int64_t other) { return one < other ? one : other; }
int64_t most(int64_t one, int64_t other) { return one > other ? one : other; }

}  // namespace

// ---- the beat

void Beats::heard(int64_t ms, const Beat &beat) {
  if (strcmp(beat.clock, clock_) != 0) {
    copy(clock_, beat.clock, sizeof clock_);
    count_ = next_ = 0;
  }
  differences_[next_] = beat.now_ms - ms;
  next_ = (next_ + 1) % KEPT;
  if (count_ < KEPT) count_++;
  last_ms_ = ms;
  heard_on_this_connection_ = true;
}

int64_t Beats::steady_ms(int64_t ms) const {
  int64_t largest = differences_[0];
  for (int place = 1; place < count_; place++) largest = most(largest, differences_[place]);
  return ms + largest;
}

bool Beats::is_silent(int64_t ms) const { return !is_known() || ms - last_ms_ >= SILENCE_MS; }

// ---- what waits for the broker

Outbox::Entry &Outbox::put() {
  if (count_ == KEPT) {
    dropped++;
    remove(0);
  }
  Entry &made = entries_[count_++];
  made = Entry();
  made.token = ++last_token_;
  made.epoch = -1;
  return made;
}

const Outbox::Entry *Outbox::take() {
  int underway = 0;
  for (int place = 0; place < count_; place++) {
    if (!entries_[place].is_underway) {
      if (underway >= UNDERWAY) return nullptr;
      entries_[place].is_underway = true;
      return &entries_[place];
    }
    underway++;
  }
  return nullptr;
}

void Outbox::acknowledged(uint32_t token) {
  for (int place = 0; place < count_; place++) {
    if (entries_[place].token == token && entries_[place].is_underway) return remove(place);
  }
}

void Outbox::connection_lost() {
  for (int place = 0; place < count_; place++) entries_[place].is_underway = false;
}

void Outbox::remove(int place) {
  count_--;
  for (; place < count_; place++) entries_[place] = entries_[place + 1];
}

// ---- which cues have played

bool Remembered::has(const char *cue) const {
  const uint64_t wanted = hash(cue);
  for (int place = 0; place < count_; place++) {
    if (hashes_[place] == wanted) return true;
  }
  return false;
}

void Remembered::add(const char *cue) {
  hashes_[next_] = hash(cue);
  next_ = (next_ + 1) % KEPT;
  if (count_ < KEPT) count_++;
}

// FNV-1a.
uint64_t Remembered::hash(const char *text) {
  uint64_t found = 0xcbf29ce484222325u;
  for (; *text; text++) found = (found ^ static_cast<unsigned char>(*text)) * 0x100000001b3u;
  return found;
}

// ---- the board

Board::Board(const Setup &setup, World &world, const char *boot, const char *reset, int64_t ms)
    : setup_(setup), world_(world), boot_(boot), reset_(reset), boot_ms_(ms), health_due_ms_(ms),
      health_last_ms_(ms - HEALTH_MS) {
  for (int64_t &since : high_since_) since = LOW;
}

// Timers that are due at `ms` go before the event of the same moment.
void Board::begin(int64_t ms) {
  end_plays(ms);
  if (!is_still_ && beats_.is_silent(ms)) {
    is_still_ = true;
    still();
  }
}

void Board::finish(int64_t ms) {
  if (!is_connected_) return;
  send_waiting(ms);
  send_health(ms);
}

void Board::tick(int64_t ms) {
  begin(ms);
  finish(ms);
}

size_t Board::connecting(int64_t ms, char *will, size_t size) {
  begin(ms);
  return write(Gone{boot_, ++conn_}, will, size);
}

void Board::connected(int64_t ms) {
  begin(ms);
  is_connected_ = true;
  health_due_ms_ = ms;
  const Here here = {boot_, conn_, setup_.fw, ms - boot_ms_, reset_};
  world_.publish("presence", said_, write(here, said_, sizeof said_), 1, true, 0);
  finish(ms);
}

void Board::lost(int64_t ms) {
  begin(ms);
  is_connected_ = false;
  beats_.connection_lost();
  outbox_.connection_lost();
}

void Board::acked(int64_t ms, uint32_t token) {
  begin(ms);
  outbox_.acknowledged(token);
  finish(ms);
}

// An empty payload is a retained one being cleared: it says nothing.
void Board::message(int64_t ms, const char *owner, const char *leaf, const char *payload,
                    size_t size, bool retain) {
  begin(ms);
  const bool is_for_all = strcmp(owner, "all") == 0;
  if (size == 0) {
  } else if (!is_for_all && strcmp(leaf, "cue") == 0) {
    take_cue(ms, payload, size, retain);
  } else if (!is_for_all && strcmp(leaf, "settings") == 0) {
    Settings settings;
    if (!read(payload, size, settings)) bad_++;
  } else if (is_for_all && strcmp(leaf, "beat") == 0) {
    Beat beat;
    if (read(payload, size, beat)) {
      beats_.heard(ms, beat);
      is_still_ = false;
      raise_epoch(ms, beat.epoch);
    } else {
      bad_++;
    }
  } else if (is_for_all && strcmp(leaf, "stop") == 0) {
    Stop stop;
    if (read(payload, size, stop)) {
      take_stop(ms, stop, retain);
    } else {
      bad_++;
    }
  }
  finish(ms);
}

bool Board::is_playing() const {
  for (const Play &play : plays_) {
    if (play.on) return true;
  }
  return false;
}

// ---- epoch and stop

void Board::raise_epoch(int64_t ms, int64_t epoch) {
  if (epoch <= epoch_) return;
  epoch_ = epoch;
  want_health(ms);
}

// A stop is always obeyed, however old; a release only if nothing newer is known. A stop made on
// this board is ended by a person's newer release, not by a kept message.
void Board::take_stop(int64_t ms, const Stop &stop, bool retain) {
  if (stop.stopped) {
    is_stopped_here_ = false;
    stop_show(ms);
  } else if (is_stopped_here_ ? stop.epoch > epoch_ && !retain : stop.epoch >= epoch_) {
    is_stopped_here_ = false;
    if (is_stopped_) {
      is_stopped_ = false;
      want_health(ms);
    }
  }
  raise_epoch(ms, stop.epoch);
}

void Board::stop_show(int64_t ms) {
  if (is_stopped_) return;
  is_stopped_ = true;
  want_health(ms);
  still();
}

void Board::still() {
  for (uint8_t prop = 0; prop < setup_.prop_count; prop++) world_.still(prop);
  for (uint8_t prop = 0; prop < setup_.prop_count; prop++) {
    if (plays_[prop].on) report(plays_[prop].cue, "aborted");
    plays_[prop].on = false;
  }
}

// ---- cues

void Board::take_cue(int64_t ms, const char *payload, size_t size, bool retain) {
  Cue cue;
  if (!read(payload, size, cue)) {
    bad_++;
    const char *why = retain ? "retained" : "bad";
    if (read_cue_id(payload, size, cue.cue)) report(cue.cue, "refused", why);
    return;
  }
  int prop = -1, behaviour = -1;
  const char *why = refusal(ms, cue, retain, prop, behaviour);
  if (why) return report(cue.cue, "refused", why);
  // Only a cue that plays is remembered: refusing a repeat tells that it did start.
  played_.add(cue.cue);
  Play &play = plays_[prop];
  play.on = true;
  play.behaviour = static_cast<uint8_t>(behaviour);
  play.end_ms = ms + least(setup_.props[prop].behaviours[behaviour].duration_ms, cue.max_ms);
  copy(play.cue, cue.cue, sizeof play.cue);
  starts_[prop]++;
  world_.play(static_cast<uint8_t>(prop), play.behaviour, true);
  report(cue.cue, "started");
}

const char *Board::refusal(int64_t ms, const Cue &cue, bool retain, int &prop,
                           int &behaviour) const {
  if (retain) return "retained";
  if (played_.has(cue.cue)) return "repeat";
  if (cue.epoch < epoch_) return "old-epoch";
  if (!beats_.can_date_a_cue(ms)) return "no-beat";
  if (beats_.steady_ms(ms) > cue.sent_ms + cue.ttl_ms) return "late";
  if (is_stopped_) return "stopped";
  for (int place = 0; place < setup_.prop_count; place++) {
    if (strcmp(setup_.props[place].id, cue.prop) == 0) prop = place;
  }
  if (prop < 0) return "unknown";
  for (int place = 0; place < setup_.props[prop].count; place++) {
    if (strcmp(setup_.props[prop].behaviours[place].id, cue.behaviour) == 0) behaviour = place;
  }
  if (behaviour < 0) return "unknown";
  return plays_[prop].on ? "busy" : nullptr;
}

void Board::end_plays(int64_t ms) {
  for (uint8_t prop = 0; prop < setup_.prop_count; prop++) {
    Play &play = plays_[prop];
    if (!play.on || play.end_ms > ms) continue;
    play.on = false;
    world_.play(prop, play.behaviour, false);
    report(play.cue, "finished");
  }
}

void Board::report(const char *cue, const char *state, const char *why) {
  Outbox::Entry &made = outbox_.put();
  made.state = state;
  made.why = why;
  if (why && strcmp(why, "old-epoch") == 0) made.epoch = epoch_;
  copy(made.cue, cue, sizeof made.cue);
}

// ---- sensors, battery and health

void Board::sensor(int64_t ms, uint8_t sensor, bool is_high) {
  begin(ms);
  int64_t &since = high_since_[sensor];
  if (!is_high && since != LOW) {
    active_[sensor] += ms - since;
    since = LOW;
    want_health(ms);
  } else if (is_high && since == LOW) {
    since = ms;
    motions_[sensor]++;
    Outbox::Entry &made = outbox_.put();
    made.is_motion = true;
    made.sensor = sensor;
    made.happened_ms = ms;
    made.seq = ++seq_;
    if (setup_.sensors[sensor].stops) {
      is_stopped_here_ = true;
      stop_show(ms);
    }
  }
  finish(ms);
}

void Board::battery(int64_t ms, int32_t mv) {
  begin(ms);
  battery_mv_ = mv;
  low_readings_ = mv < setup_.floor_mv ? static_cast<uint8_t>(low_readings_ + 1) : 0;
  if (low_readings_ >= FLOOR_READINGS) {
    low_readings_ = FLOOR_READINGS;
    is_stopped_here_ = true;
    stop_show(ms);
  }
  finish(ms);
}

void Board::send_waiting(int64_t ms) {
  while (const Outbox::Entry *entry = outbox_.take()) {
    size_t size = 0;
    if (entry->is_motion) {
      // Sensed before the controller's clock began: it has no name for that moment.
      const int64_t at_ms = beats_.is_known() ? beats_.steady_ms(entry->happened_ms) : -1;
      const char *sensor = setup_.sensors[entry->sensor].id;
      const int64_t age_ms = ms - entry->happened_ms;
      const char *clock = at_ms >= 0 ? beats_.clock() : nullptr;
      size = write(Motion{sensor, boot_, entry->seq, age_ms, clock, at_ms}, said_, sizeof said_);
    } else {
      const Report said = {entry->cue, boot_, entry->state, entry->why, entry->epoch};
      size = write(said, said_, sizeof said_);
    }
    world_.publish(entry->is_motion ? "motion" : "report", said_, size, 1, false, entry->token);
  }
}

void Board::want_health(int64_t ms) {
  health_due_ms_ = least(health_due_ms_, most(ms, health_last_ms_ + HEALTH_LEAST_MS));
}

void Board::send_health(int64_t ms) {
  if (ms < health_due_ms_) return;
  health_last_ms_ = ms;
  health_due_ms_ = ms + HEALTH_MS;
  Health said;
  said.boot = boot_;
  said.up_ms = ms - boot_ms_;
  said.battery_mv = battery_mv_;
  said.rssi = rssi_;
  said.props = setup_.prop_count;
  said.sensors = setup_.sensor_count;
  for (uint8_t prop = 0; prop < said.props; prop++) {
    said.starts[prop] = {setup_.props[prop].id, starts_[prop]};
  }
  for (uint8_t each = 0; each < said.sensors; each++) {
    const int64_t high_ms = high_since_[each] == LOW ? 0 : ms - high_since_[each];
    said.motions[each] = {setup_.sensors[each].id, motions_[each]};
    said.active[each] = {setup_.sensors[each].id, active_[each] + high_ms};
  }
  said.epoch = epoch_;
  said.stopped = is_stopped_;
  said.reset = reset_;
  said.bad = bad_;
  said.dropped = outbox_.dropped;
  world_.publish("health", said_, write(said, said_, sizeof said_), 0, false, 0);
}

}  // namespace haunt
