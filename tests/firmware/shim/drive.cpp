// Leads the example's pure part from outside, line by line, for the vectors: words in, words out.
// Every answer ends with a line of one full stop.
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <iostream>
#include <map>
#include <memory>
#include <sstream>
#include <string>
#include <vector>

#include "board.h"

namespace {

std::string hex(const char *bytes, size_t size) {
  std::string out = size ? "" : "-";
  char two[3];
  for (size_t place = 0; place < size; place++) {
    std::snprintf(two, sizeof two, "%02x", static_cast<unsigned char>(bytes[place]));
    out += two;
  }
  return out;
}

std::string unhex(const std::string &text) {
  std::string out;
  if (text == "-") return out;
  for (size_t place = 0; place + 1 < text.size(); place += 2) {
    out += static_cast<char>(std::stoi(text.substr(place, 2), nullptr, 16));
  }
  return out;
}

// Keeps what a setup points at.
struct Parts {
  std::vector<std::string> names;
  std::vector<std::vector<haunt::Behaviour>> behaviours;
  std::vector<haunt::Prop> props;
  std::vector<haunt::Sensor> sensors;
  haunt::Setup setup{};

  Parts() { names.reserve(1000); }
  const char *keep(const std::string &name) {
    names.push_back(name);
    return names.back().c_str();
  }
  void close() {
    for (size_t prop = 0; prop < props.size(); prop++) {
      props[prop].behaviours = behaviours[prop].data();
      props[prop].count = static_cast<uint8_t>(behaviours[prop].size());
    }
    setup.fw = "example";
    setup.props = props.data();
    setup.prop_count = static_cast<uint8_t>(props.size());
    setup.sensors = sensors.data();
    setup.sensor_count = static_cast<uint8_t>(sensors.size());
  }
};

class Printing : public haunt::World {
 public:
  explicit Printing(const Parts &parts) : parts_(parts) {}
  void play(uint8_t prop, uint8_t behaviour, bool on) override {
    const haunt::Prop &played = parts_.props[prop];
    std::cout << "output " << played.id << " " << played.behaviours[behaviour].id << " " << on
              << "\n";
  }
  void still(uint8_t prop) override {
    std::cout << "stop_state " << parts_.props[prop].id << "\n";
  }
  void publish(const char *leaf, const char *payload, size_t size, uint8_t qos, bool retain,
               uint32_t token) override {
    std::cout << "publish " << leaf << " " << hex(payload, size) << " " << int(qos) << " " << retain
              << " " << token << "\n";
  }

 private:
  const Parts &parts_;
};

struct Bench {
  std::unique_ptr<Parts> parts;
  std::unique_ptr<Printing> world;
  std::unique_ptr<haunt::Board> board;
};

void set_up(Bench &bench, std::istringstream &words) {
  auto parts = std::make_unique<Parts>();
  std::string word, name;
  while (words >> word >> name) {
    if (word == "sensor") {
      int stops = 0;
      words >> stops;
      parts->sensors.push_back({parts->keep(name), stops != 0});
    } else if (word == "prop") {
      parts->props.push_back({parts->keep(name), nullptr, 0});
      parts->behaviours.emplace_back();
    } else if (word == "behaviour") {
      uint32_t duration_ms = 0;
      words >> duration_ms;
      parts->behaviours.back().push_back({parts->keep(name), duration_ms});
    } else if (word == "floor") {
      parts->setup.floor_mv = std::stoi(name);
    }
  }
  parts->close();
  bench.board.reset();
  bench.world.reset();
  bench.parts = std::move(parts);
  bench.world = std::make_unique<Printing>(*bench.parts);
  bench.board = std::make_unique<haunt::Board>(bench.parts->setup, *bench.world, "7f3a91c2d405",
                                               "power-on", 0);
}

void message(haunt::Board &board, long long ms, std::istringstream &words) {
  std::string owner, leaf, payload;
  int retain = 0;
  words >> owner >> leaf >> retain >> payload;
  const std::string bytes = unhex(payload);
  board.message(ms, owner.c_str(), leaf.c_str(), bytes.data(), bytes.size(), retain != 0);
}

void event(Bench &bench, std::istringstream &words) {
  long long ms = 0;
  std::string kind;
  words >> ms >> kind;
  haunt::Board &board = *bench.board;
  if (kind == "tick") board.tick(ms);
  if (kind == "connected") board.connected(ms);
  if (kind == "lost") board.lost(ms);
  if (kind == "message") message(board, ms, words);
  long long number = 0;
  if (kind == "connecting") {
    char will[200];
    const size_t size = board.connecting(ms, will, sizeof will);
    std::cout << "connect presence " << hex(will, size) << "\n";
  } else if (kind == "acked" && words >> number) {
    board.acked(ms, static_cast<uint32_t>(number));
  } else if (kind == "battery" && words >> number) {
    board.battery(ms, static_cast<int32_t>(number));
  } else if (kind == "rssi" && words >> number) {
    board.signal(static_cast<int16_t>(number));
    board.tick(ms);
  } else if (kind == "sensor") {
    std::string name;
    words >> name >> number;
    for (uint8_t each = 0; each < bench.parts->setup.sensor_count; each++) {
      if (name == bench.parts->setup.sensors[each].id) board.sensor(ms, each, number != 0);
    }
  }
}

void read(const std::string &kind, const std::string &payload) {
  const char *bytes = payload.data();
  const size_t size = payload.size();
  haunt::Cue cue;
  haunt::Beat beat;
  haunt::Stop stop;
  haunt::Settings settings;
  if (kind == "cue" && haunt::read(bytes, size, cue)) {
    std::cout << "cue " << cue.cue << " epoch " << cue.epoch << " prop " << cue.prop
              << " behaviour " << cue.behaviour << " max_ms " << cue.max_ms << " ttl_ms "
              << cue.ttl_ms << " sent_ms " << cue.sent_ms << "\n";
  } else if (kind == "beat" && haunt::read(bytes, size, beat)) {
    std::cout << "clock " << beat.clock << " now_ms " << beat.now_ms << " wall_ms " << beat.wall_ms
              << " epoch " << beat.epoch << "\n";
  } else if (kind == "stop" && haunt::read(bytes, size, stop)) {
    std::cout << "stopped " << (stop.stopped ? "True" : "False") << " epoch " << stop.epoch
              << " at_ms " << stop.at_ms << "\n";
  } else if (kind == "settings" && haunt::read(bytes, size, settings)) {
    std::cout << "version " << settings.version << " mode " << (settings.alone ? "alone" : "still")
              << "\n";
  }
}

using Said = std::map<std::string, std::string>;

long long number(const Said &said, const std::string &key, long long otherwise) {
  const auto found = said.find(key);
  return found == said.end() ? otherwise : std::stoll(found->second);
}

const char *text(const Said &said, const std::string &key, const char *otherwise) {
  const auto found = said.find(key);
  return found == said.end() ? otherwise : found->second.c_str();
}

// A board counts motions and high time of the same sensors, so both are written for each.
uint8_t counts(const Said &said, const char *map, const char *other, haunt::Count *into) {
  uint8_t size = 0;
  for (const auto &[key, value] : said) {
    const size_t dot = key.find('.');
    if (dot == std::string::npos) continue;
    const std::string name = key.substr(dot + 1), own = std::string(map) + "." + name;
    if (key == own) {
      into[size++] = {key.c_str() + dot + 1, std::stoll(value)};
    } else if (key == std::string(other) + "." + name && !said.count(own)) {
      into[size++] = {key.c_str() + dot + 1, 0};
    }
  }
  return size;
}

size_t write_health(const Said &said, char *into, size_t size) {
  haunt::Health health;
  health.boot = text(said, "boot", "");
  health.up_ms = number(said, "up_ms", 0);
  health.battery_mv = static_cast<int32_t>(number(said, "battery_mv", -1));
  health.rssi = static_cast<int16_t>(number(said, "rssi", haunt::NO_RSSI));
  health.props = counts(said, "starts", "starts", health.starts);
  health.sensors = counts(said, "motions", "active", health.motions);
  counts(said, "active", "motions", health.active);
  health.epoch = number(said, "epoch", 0);
  health.stopped = number(said, "stopped", 0) != 0;
  health.reset = text(said, "reset", "unknown");
  health.bad = number(said, "bad", 0);
  health.dropped = number(said, "dropped", 0);
  return haunt::write(health, into, size);
}

size_t write(const std::string &kind, const Said &said, char *into, size_t size) {
  const char *boot = text(said, "boot", "");
  if (kind == "will") return haunt::write(haunt::Gone{boot, number(said, "conn", 0)}, into, size);
  if (kind == "health") return write_health(said, into, size);
  if (kind == "presence") {
    const haunt::Here here = {boot, number(said, "conn", 0), text(said, "fw", ""),
                              number(said, "up_ms", 0), text(said, "reset", "unknown")};
    return haunt::write(here, into, size);
  }
  if (kind == "motion") {
    const haunt::Motion motion = {
        text(said, "sensor", ""),      boot, number(said, "seq", 0), number(said, "age_ms", 0),
        text(said, "clock", nullptr), number(said, "at_ms", -1)};
    return haunt::write(motion, into, size);
  }
  const haunt::Report report = {text(said, "cue", ""), boot, text(said, "state", ""),
                                text(said, "why", nullptr), number(said, "epoch", -1)};
  return haunt::write(report, into, size);
}

}  // namespace

int main() {
  Bench bench;
  std::string line;
  while (std::getline(std::cin, line)) {
    std::istringstream words(line);
    std::string verb, kind, rest;
    words >> verb;
    if (verb == "set-up") {
      set_up(bench, words);
    } else if (verb == "event") {
      event(bench, words);
    } else if (verb == "read" && words >> kind >> rest) {
      read(kind, unhex(rest));
    } else if (verb == "write" && words >> kind) {
      Said said;
      std::string key, value;
      while (words >> key >> value) said[key] = unhex(value);
      char payload[haunt::PAYLOAD_BYTES_MAX + 1];
      std::cout << hex(payload, write(kind, said, payload, sizeof payload)) << "\n";
    }
    std::cout << "." << std::endl;
  }
  return 0;
}
