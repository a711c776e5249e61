// An example of a board for haunt, for 32-bit Arduino-style boards with Wi-Fi.
//
// It is an example: read it, take what you need, and try what you made of it with
// `haunt boards test gate`. It keeps to the whole contract of the wire for one prop and two
// sensors. What it leaves out, on purpose:
//   - it never plays alone: without a beat it is still, whatever its settings allow
//   - no TLS: it belongs on a network of its own
//   - no lines of text, no servo, sound or addressable lights; an output is on or off, and off is
//     its stop state. What can hurt somebody needs a stop state that was thought about, and a
//     switch of its own within reach: a stop over Wi-Fi is not an emergency stop.
//   - the cause of its start is told as `unknown`; no motor is watched for a stall
//   - where the network's library waits for long in a write, a play ends late by as much: a timer
//     of its own that puts outputs to their stop state is for you to add
//   - it is not for 8-bit boards: the ring of unsent motions and reports alone takes 12 KiB
// It is compiled and tried on a computer, with a stand-in for the board's libraries; on which boards
// it runs as it is nobody has tried yet.
//
// Its parts: json (reading and writing), payloads (what may stand in a message), board (all that is
// decided), session (MQTT). Only this file knows pins, clock and network.
#include <Arduino.h>
#include <WiFi.h>

#include "config.h"
#include "session.h"

namespace {

// ---- what hangs on the board: your part

constexpr uint8_t EYES_PIN = 16;
constexpr uint8_t CHANCE_PIN = 34;  // analog, nothing on it
constexpr uint8_t SENSOR_PINS[] = {4, 5};

const haunt::Behaviour GATEKEEPER[] = {{"growl", 300}, {"moan", 20000}};
const haunt::Prop PROPS[] = {{"gatekeeper", GATEKEEPER, 2}};
const haunt::Sensor SENSORS[] = {{"gate-pir", false}, {"stop-button", true}};
const haunt::Setup SETUP = {"example 1", PROPS, 1, SENSORS, 2, 0};

// ---- the world as the board sees it

// Milliseconds since the start that never wrap, though millis() does after 49 days.
int64_t now_ms() {
  static uint32_t last = 0;
  static int64_t sum = 0;
  const uint32_t reading = millis();
  sum += static_cast<uint32_t>(reading - last);
  last = reading;
  return sum;
}

// A boot id must be new at every start, and random() begins with the same numbers on many boards.
// Where your board has a source of chance of its own, ask that.
uint32_t chance() {
  static uint32_t mixed = 2166136261u;
  for (int count = 0; count < 256; count++) {
    mixed = (mixed ^ micros() ^ static_cast<uint32_t>(analogRead(CHANCE_PIN)) << 16) * 16777619u;
  }
  return mixed;
}

class WifiStream : public haunt::Stream {
 public:
  bool open() override {
    if (WiFi.status() != WL_CONNECTED || !client_.connect(HAUNT_HOST, HAUNT_PORT)) return false;
    client_.setNoDelay(true);  // else every answer is 20 to 40 ms late
    return true;
  }
  bool is_open() override { return client_.connected(); }
  int read(uint8_t *into, int size) override {
    return client_.available() > 0 ? client_.read(into, static_cast<size_t>(size)) : 0;
  }
  bool write(const uint8_t *bytes, size_t size) override {
    return client_.write(bytes, size) == size;
  }
  void close() override { client_.stop(); }

 private:
  WiFiClient client_;
};

const haunt::Account ACCOUNT = {HAUNT_BOARD, HAUNT_PASSWORD, HAUNT_ROOT};
WifiStream stream;
haunt::Session *session = nullptr;
char boot[13];

class Pins : public haunt::World {
 public:
  void play(uint8_t, uint8_t, bool on) override { digitalWrite(EYES_PIN, on ? HIGH : LOW); }
  void still(uint8_t) override { digitalWrite(EYES_PIN, LOW); }
  void publish(const char *leaf, const char *payload, size_t size, uint8_t qos, bool retain,
               uint32_t token) override {
    session->publish(leaf, payload, size, qos, retain, token);
  }
};

Pins pins;
haunt::Board *board = nullptr;

// Two looks must agree: a spike between them is no visitor.
void look_at_sensors(int64_t ms) {
  static int last[] = {LOW, LOW}, told[] = {LOW, LOW};
  for (uint8_t each = 0; each < SETUP.sensor_count; each++) {
    const int level = digitalRead(SENSOR_PINS[each]);
    if (level == last[each] && level != told[each]) {
      told[each] = level;
      board->sensor(ms, each, level == HIGH);
    }
    last[each] = level;
  }
}

}  // namespace

void setup() {
  // First of all, before any network: every output to its stop state.
  pinMode(EYES_PIN, OUTPUT);
  digitalWrite(EYES_PIN, LOW);
  for (uint8_t pin : SENSOR_PINS) pinMode(pin, INPUT);
  snprintf(boot, sizeof boot, "%06lx%06lx", static_cast<unsigned long>(chance() >> 8),
           static_cast<unsigned long>(chance() >> 8));
  WiFi.begin(HAUNT_SSID, HAUNT_WIFI_PASSWORD);
  static haunt::Session made_session(ACCOUNT, stream, chance());
  static haunt::Board made_board(SETUP, pins, boot, "unknown", now_ms());
  session = &made_session;
  board = &made_board;
  session->attach(*board);
  delay(chance() % HAUNT_SPREAD_MS);  // not all boards at once after dark
}

void loop() {
  const int64_t ms = now_ms();
  look_at_sensors(ms);
  static int64_t signal_at_ms = 0;
  if (ms >= signal_at_ms) {
    signal_at_ms = ms + 5000;
    board->signal(static_cast<int16_t>(WiFi.RSSI()));
  }
  session->poll(ms);
  delay(5);
}
